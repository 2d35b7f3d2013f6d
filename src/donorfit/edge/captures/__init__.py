"""Captures of network traffic: files of packet analysers, read down to diagnostic messages."""
