"""Invented buildings seen by a known camera: every edge exact."""
