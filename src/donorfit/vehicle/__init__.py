"""What a car and a pack are, as values; nothing here reads, writes or waits."""
