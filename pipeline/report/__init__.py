"""Reports: one self-contained HTML page a season, written from the metric tables. Computes no figure."""

from pipeline.report.page import NO_SEASON, write_reports

__all__ = ["NO_SEASON", "write_reports"]
