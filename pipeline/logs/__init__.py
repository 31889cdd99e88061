"""Logs: the column dictionary, and reading, checking and loading what distillers write down.

`read_logs` gives every log below a folder as frames, `load_raw` puts them into DuckDB's schema `raw`;
`open_logs` leaves what is too large to be held to `load_raw`.
"""

from pipeline.logs.catalogue import aliases, catalogue, item_key
from pipeline.logs.later import ArrowStream
from pipeline.logs.load import LogFrames, LogSettings, Reading, look_through, open_logs, read_logs
from pipeline.logs.package import datapackage
from pipeline.logs.raw_tables import load_raw
from pipeline.logs.tables import FILES_SCHEMA, VALUE_SCHEMAS
from pipeline.logs.template import write_templates

__all__ = [
    "FILES_SCHEMA",
    "VALUE_SCHEMAS",
    "ArrowStream",
    "LogFrames",
    "LogSettings",
    "Reading",
    "aliases",
    "catalogue",
    "datapackage",
    "item_key",
    "load_raw",
    "look_through",
    "open_logs",
    "read_logs",
    "write_templates",
]
