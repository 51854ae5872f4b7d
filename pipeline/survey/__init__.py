"""The survey stage."""
