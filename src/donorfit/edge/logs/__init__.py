"""Readers of recorded bus traffic."""

from donorfit.edge.logs.log_files import LOG_FORMATS, read_log_file

__all__ = ["LOG_FORMATS", "read_log_file"]
