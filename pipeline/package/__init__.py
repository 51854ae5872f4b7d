"""The package stage."""
