"""What stages hand on: frozen records, each carrying the digest of those it came from."""
