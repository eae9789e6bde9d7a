"""Marks: features that the artist names and clicks once on the reference, in a YAML file, with no code at all."""
