"""UDS (ISO 14229-1) and DoIP (ISO 13400-2) as values and state machines; no I/O, no clock."""
