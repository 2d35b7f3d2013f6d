"""Run one stage of one job: the loop, its ports, progress."""
