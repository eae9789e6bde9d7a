"""Invented still lifes on a table, rendered with a known camera, every contour exact.

One way through: `view` (the camera), `solids` (what stands on the table) with their `forms` -> `arrange` (a composition) ->
`sight` (which parts of a contour are seen) and `render` (the picture) -> `scene` (both together, as a `Scene` to draw from).
"""
