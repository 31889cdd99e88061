"""Logs: the column dictionary, and reading, checking and loading what distillers write down.

`read_logs` gives every log below a folder as frames, `load_raw` puts them into DuckDB's schema `raw`.
"""

from pipeline.logs.catalogue import aliases, catalogue, item_key
from pipeline.logs.load import (
    FILES_SCHEMA,
    VALUE_SCHEMAS,
    ArrowStream,
    LogFrames,
    LogSettings,
    load_raw,
    read_logs,
)
from pipeline.logs.package import datapackage
from pipeline.logs.template import write_templates

__all__ = [
    "FILES_SCHEMA",
    "VALUE_SCHEMAS",
    "ArrowStream",
    "LogFrames",
    "LogSettings",
    "aliases",
    "catalogue",
    "datapackage",
    "item_key",
    "load_raw",
    "read_logs",
    "write_templates",
]
