"""Links that carry UDS bytes: DoIP, ISO-TP on CAN, in memory, and faults on purpose."""
