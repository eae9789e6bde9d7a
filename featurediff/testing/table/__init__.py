"""Invented things on a table, seen by a known camera: every contour and ellipse exact."""
