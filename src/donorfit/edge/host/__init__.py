"""The computer that the program runs on: its power, its sleep, and other programs on it."""
