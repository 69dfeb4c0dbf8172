#!/usr/bin/env python3
"""Holds a measured simulated day to its limits: clinic_limits.py < score.json, as `tipwright score RESULTS TRUTH -o FOLDER` writes it.

Limits of the first whole run: tip path 8 mm rms, clocks 0.5 ms, dip depth 8 mm and peak speed 2 % at the median, every
stroke found and none invented. Prints each figure with its limit; status 1 when one is over.
"""
import json
import sys

score = json.load(sys.stdin)
figures = {f["key"]: f for f in score["figures"]}
offsets = [abs(c["offset_ms"]["error"]) for take in score["takes"] for c in take["clocks"]]
strokes = score["strokes"]
# 2 % of the slowest peak among the simulated casts, 12 m/s
rows = [
    ("tip path, mm rms", score["path_rmse_mm"], 8.0),
    ("offset, worst, ms", max(offsets), 0.5),
    ("dip depth, median, mm", 1e3 * figures["dip_depth_m"]["median_abs"], 8.0),
    ("peak speed, median, m/s", figures["peak_speed_m_s"]["median_abs"], 0.24),
    ("strokes missed", strokes["missed"], 0),
    ("strokes invented", strokes["invented"], 0),
    ("directions wrong", strokes["direction_wrong"], 0),
]
over = [name for name, value, limit in rows if not value <= limit]
for name, value, limit in rows:
    print(f"{name}: {value:.4g} (limit {limit:g})")
if not strokes["there"] or over:
    sys.exit(f"over the limit: {', '.join(over) or 'no strokes in the truth'}")
