"""The edge stage."""
