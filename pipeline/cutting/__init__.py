"""Cutting stock: exact one-dimensional cutting with a proof."""
