"""Sleeveline: from a pool survey to a finished install package for a removable mesh safety fence."""

__version__ = "0.1.0"
