"""Separation in space: how far apart two paths are, exactly and along their whole length.

- `layout.lay_out`: lines, paths, pairs and zones, prepared once;
- `closest.closest_points`: least distance and danger radius of every pair;
- `near.near_stretches`: stretches closer than a limit;
- `cross.crossings`: crossings in plan;
- `profile.profile`: distance to the other path along a path;
- `places.worst_places`: the circles that take the most.

Everything is measured on chords in space (see `earth`), so latitude, zone edges
and the antimeridian make no difference.
"""
