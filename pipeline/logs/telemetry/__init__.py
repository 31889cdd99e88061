"""Telemetry: a logger's file of what a still's sensors showed, reduced to one row a minute as it is read.

`header.py` tells such a file, `read.py` reads it piece by piece, `faults.py` says which sensors cannot be
trusted. What is made of the minutes is SQL: log.telemetry_minute, metric.telemetry_run, .telemetry_jar.
"""

from pipeline.logs.telemetry.header import SensorHeader, told_as_telemetry
from pipeline.logs.telemetry.read import MINUTE_SCHEMA, Telemetry, read_telemetry

__all__ = ["MINUTE_SCHEMA", "SensorHeader", "Telemetry", "read_telemetry", "told_as_telemetry"]
