"""The drawings stage."""
