"""Plane geometry that never heard of a fence: lines, arcs, chains of both, planes."""
