"""Readers of software files: Intel HEX, S-record, plain binary, ODX-F."""
