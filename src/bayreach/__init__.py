"""Estimate and plan the coating of the inside of structures."""

__version__ = "0.1.0"
