"""The drawing simulator: known moves of a reference, drawn by unlike pencil hands, on paper, photographed.

One way through: `scenes` (what is drawn) -> `warp` (the known errors; ready-made ones in `mistakes`) -> `hands` (pencil, with
`lines`, `strokes`, `paper`) -> `camera` (the photograph). `faces3d` renders faces that belong to nobody, from `facemesh`,
`heads`, `raster`, `facepaint`, `strands` and `outlines`. `buildings` renders views of invented buildings with their exact edges;
their known errors are in `building_mistakes`, written as fields (`fieldwarp`) so that straight lines stay straight.
`props` are what lies around a sheet and on it; `captures` has one case of each difficult capture, drawn from the `motifs`, taken
and compared as `shots`.

Everything is deterministic by its seed.
Faces and buildings with seeds below 100 are for development, from 100 on for reported figures: never mix them.
"""
