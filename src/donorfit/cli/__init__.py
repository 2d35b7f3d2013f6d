"""The command line: words for a terminal."""
