"""Measure the seams of a taped veneer dry fit from one backlit photo, and say which pieces to recut."""

__version__ = "0.1.0"
