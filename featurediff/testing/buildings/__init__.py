"""Invented buildings seen by a known camera: every edge exact.

`record` (camera, rhythm, scene) -> `canvas` (planes, depth buffer) -> `site` (sun, walls' planes, recorded edges) -> `parts`,
`rounds`, `textures` (what houses are made of) -> `kinds` (the views) and `clutter` (what is no building) -> `render` (the scene).
"""
