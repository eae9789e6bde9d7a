"""Matching: where the reference's features are on the drawing."""
