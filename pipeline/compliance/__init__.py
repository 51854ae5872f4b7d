"""The compliance stage."""
