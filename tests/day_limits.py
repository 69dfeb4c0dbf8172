#!/usr/bin/env python3
"""Holds a measured simulated day to its limits: day_limits.py clinic|hard|minimal < score.json, as
`tipwright score RESULTS TRUTH -o FOLDER` writes it.

Prints each figure with its limit; status 1 when one is over. Limits: tip path rms, worst clock offset, dip depth at the
median, peak speed at the median (1 % of 12 m/s, the slowest peak among the simulated casts; 2 % in the small pictures of the
minimal day), strokes missed, invented and turned round.
"""
import json
import sys

LIMITS = {
    "clinic": (3.0, 0.1, 4.0, 0.12, 0, 0, 0),
    # two phones of bad light with people walking by: strokes may be lost at the ends of a track, never turned round
    "hard": (6.0, 0.1, 4.0, 0.12, 1, 1, 0),
    "minimal": (8.0, 0.5, 8.0, 0.24, 0, 0, 0),
}

score = json.load(sys.stdin)
figures = {f["key"]: f for f in score["figures"]}
offsets = [abs(c["offset_ms"]["error"]) for take in score["takes"] for c in take["clocks"]]
strokes = score["strokes"]
names = ("tip path, mm rms", "offset, worst, ms", "dip depth, median, mm", "peak speed, median, m/s",
         "strokes missed", "strokes invented", "directions wrong")
values = (score["path_rmse_mm"], max(offsets), 1e3 * figures["dip_depth_m"]["median_abs"],
          figures["peak_speed_m_s"]["median_abs"], strokes["missed"], strokes["invented"], strokes["direction_wrong"])
rows = list(zip(names, values, LIMITS[sys.argv[1]]))
over = [name for name, value, limit in rows if not value <= limit]
for name, value, limit in rows:
    print(f"{name}: {value:.4g} (limit {limit:g})")
if not strokes["there"] or over:
    sys.exit(f"over the limit: {', '.join(over) or 'no strokes in the truth'}")
