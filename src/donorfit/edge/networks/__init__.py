"""Readers of the open network descriptions: DBC, KCD, SYM, ARXML and LDF."""
