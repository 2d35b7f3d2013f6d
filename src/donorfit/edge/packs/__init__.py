"""Readers of the open formats: packs, surveys, scenarios, imported descriptions."""
