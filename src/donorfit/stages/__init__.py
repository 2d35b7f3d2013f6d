"""The stages of one job; each is a pure function or a pure conversation, and none knows another."""
