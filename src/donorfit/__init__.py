"""Fit used control units from newer donor cars into older host cars.

Importing the package is cheap: parts are loaded when they are first asked for.
"""

__version__ = "0.1.0"
