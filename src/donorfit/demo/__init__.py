"""Data of the demonstration: an invented car family, its cars, and the keys of its units."""
