"""The stages of a job: pure functions and pure conversations; none knows another."""
