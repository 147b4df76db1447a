"""Separation in space: how far apart two ways run, exactly and along the whole way.

- `layout.lay_out`: lines, paths, pairs and zones, prepared once;
- `closest.closest_points`: least distance and danger radius of every pair;
- `near.near_stretches`: stretches closer than a limit;
- `cross.crossings`: crossings in plan;
- `profile.profile`: distance to the other path along a path;
- `places.worst_places`: the circles that take the most.

Everything is measured on chords in space (see `earth`), so latitude, zone edges
and the antimeridian make no difference.
"""
