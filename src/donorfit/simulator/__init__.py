"""A simulated car: control units as pure state machines, with a truth of their own.

It shares only what a car *is* (:mod:`donorfit.vehicle`) and the protocol
(:mod:`donorfit.diagnostics`) with the program, so that it can check it.
"""
