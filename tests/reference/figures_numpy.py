#!/usr/bin/env python3
"""Figures of strokes measured a second time, with NumPy and SciPy, from the same path.csv.

    figures_numpy.py --binary target/release/tipwright [PATH.csv ...]

Writes path.csv files of made casts (and takes any given), runs `tipwright strokes` on each, measures the same files
here and prints the largest difference of every figure. Status 1 when one is over its limit.

Nothing is shared with the program but the definitions: moments by root finding on scipy's splines, the hull by Qhull
(scipy.spatial.ConvexHull), lines by numpy.polyfit, everything on a grid of 20 kHz. Between samples: positions by
CubicHermiteSpline with the file's velocities, velocities by CubicHermiteSpline with numpy.gradient's slopes.
"""
import argparse
import csv
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from scipy.interpolate import CubicHermiteSpline
from scipy.optimize import brentq, minimize_scalar
from scipy.signal import find_peaks
from scipy.spatial import ConvexHull

GRID_HZ = 20_000.0
# Limits: moments to 1 us (both sides find roots; a flat peak is found to the square root of rounding); lengths to the resampling of W
# by 201 points (20 mm apart at the fast end: 50 um of a curved
# path's height); ratios and angles accordingly.
LIMITS = {
    "t_start_s": 1e-6, "t_rsp_s": 1e-6, "t_stop_s": 1e-6, "duration_s": 2e-6, "pause_s": 2e-6,
    "chord_m": 1e-5, "chord_angle_deg": 1e-4, "travel_m": 2e-5, "dip_depth_m": 5e-5, "dip_at": 0.006,
    "dome_height_m": 5e-5, "slp_rms_m": 2e-5, "straightness": 2e-5, "off_plane_max_m": 2e-5,
    "peak_speed_m_s": 1e-6, "late_power": 1e-5, "stop_ms": 0.002, "fast_ms": 0.002, "speed_ramp_r2": 2e-5, "opposite_deg": 1e-4,
}


def made_paths():
    """Names and arrays t, p(t), of casts with known oddities; velocities follow by differences."""

    def smooth(u):
        u = np.clip(u, 0, 1)
        return u**3 * (10 - 15 * u + 6 * u * u)

    def along(t, starts, length, rise, fall):
        s, sign = np.full_like(t, length), -1.0
        for start in starts:
            u = np.clip((t - start) / (rise + fall), 0, 1)
            skew = u**1.3
            s = s + sign * length * smooth(skew)
            sign = -sign
        return s

    t = np.arange(0, 7.5, 1 / 240)
    starts = [1.2, 2.4, 3.6, 4.8]

    def cast(shape, tilt=0.0, yaw=0.0, side=0.0):
        def at(t):
            s = along(t, starts, 3.2, 0.35, 0.15)
            h = shape(s)
            x, z = s * np.cos(tilt) - h * np.sin(tilt), 3 + s * np.sin(tilt) + h * np.cos(tilt)
            y = side * np.sin(2.1 * s)
            return np.stack([x * np.cos(yaw) - y * np.sin(yaw), x * np.sin(yaw) + y * np.cos(yaw), z], 1)
        return at

    def bump(s, centre, width):
        u = (s - centre) / width
        return np.where(np.abs(u) < 0.5, np.cos(np.pi * np.clip(u, -0.5, 0.5)) ** 2, 0)

    yield "dome", t, cast(lambda s: 0.4 * s * (3.2 - s) / 2.56)
    yield "saucer", t, cast(lambda s: -0.1 * s * (3.2 - s) / 2.56, yaw=2.0)
    yield "dip", t, cast(lambda s: -0.02 * bump(s, 1.3, 0.8), tilt=0.15, yaw=-1.0)
    yield "sine", t, cast(lambda s: 0.05 * np.sin(3.0 * s) + 0.02 * np.cos(5 * s), tilt=-0.2, side=0.06)
    yield "slow frames", np.arange(0, 7.5, 1 / 120), cast(lambda s: 0.1 * s * (3.2 - s) - 0.03 * bump(s, 1.8, 1.0))
    rng = np.random.default_rng(3)
    uneven = np.cumsum(1 / 240 * (1 + 0.05 * rng.uniform(-1, 1, 1800)))
    yield "uneven", uneven, cast(lambda s: 0.05 * np.sin(3.0 * s), yaw=0.5)


def write_path(file, t, at):
    p, v = at(t), (at(t + 1e-5) - at(t - 1e-5)) / 2e-5
    with open(file, "w", encoding="utf-8") as f:
        f.write("t_s,x_m,y_m,z_m,vx_m_s,vy_m_s,vz_m_s,sx_m,sy_m,sz_m,views\n")
        for a, b, c in zip(t, p, v):
            f.write(",".join(f"{x:.12g}" for x in (a, *b, *c)) + ",0.002,0.002,0.002,2\n")


def read_path(file):
    a = np.genfromtxt(file, delimiter=",", names=True)
    p = np.stack([a["x_m"], a["y_m"], a["z_m"]], 1)
    v = np.stack([a["vx_m_s"], a["vy_m_s"], a["vz_m_s"]], 1)
    return a["t_s"], p, v


def measure(t, p, v):
    """One dict of figures per stroke."""
    position = CubicHermiteSpline(t, p, v)
    velocity = CubicHermiteSpline(t, v, np.gradient(v, t, axis=0))

    def speed(x):
        return np.linalg.norm(velocity(x), axis=-1)

    grid = np.arange(t[0], t[-1], 1 / GRID_HZ)
    fast = speed(grid)
    peaks, _ = find_peaks(fast, height=0.4 * fast.max(), distance=int(0.4 * GRID_HZ))
    strokes = []
    for k in peaks:
        top = minimize_scalar(lambda x: -speed(x), bounds=(grid[k - 2], grid[k + 2]), method="bounded",
                              options={"xatol": 1e-9})
        t_peak, v_peak = float(top.x), float(-top.fun)

        def over(x, share=0.2):
            return float(speed(x)) - share * v_peak

        below = np.flatnonzero(fast < 0.2 * v_peak)
        a = below[below < k].max()
        b = below[below > k].min()
        start = brentq(over, grid[a], grid[a + 1], xtol=1e-12)
        stop = brentq(over, grid[b - 1], grid[b], xtol=1e-12)
        w = np.linspace(start, t_peak, 8001)
        points = position(w)
        chord = points[-1] - points[0]
        length = np.linalg.norm(chord)
        c = chord / length
        left = np.cross([0, 0, 1], chord)
        left /= np.linalg.norm(left)
        up = np.cross(c, left)
        r = points - points[0]
        s, h, off = r @ c, r @ up, r @ left
        step = np.linalg.norm(np.diff(points, axis=0), axis=1)
        weight = np.concatenate([[step[0] / 2], (step[1:] + step[:-1]) / 2, [step[-1] / 2]])
        line = np.polyfit(s, h, 1, w=np.sqrt(weight))
        rest = h - np.polyval(line, s)
        depth, dip_at = dip(s, h, length)
        speeds = speed(w)

        def reaches(share):
            i = np.flatnonzero(speeds >= share * v_peak)[0]
            return brentq(lambda x: over(x, share), w[i - 1], w[i], xtol=1e-12)

        half, near = reaches(0.5), reaches(0.9)
        ramp = np.linspace(start, near, 4001)
        strokes.append({
            "t_start_s": start, "t_rsp_s": t_peak, "t_stop_s": stop, "duration_s": t_peak - start,
            "chord_m": length, "chord_angle_deg": np.degrees(np.arcsin(c[2])), "travel_m": step.sum(),
            "dip_depth_m": depth, "dip_at": dip_at, "dome_height_m": h.max(),
            "slp_rms_m": np.sqrt(np.average(rest**2, weights=weight)), "straightness": np.abs(h).max() / length,
            "off_plane_max_m": np.abs(off).max(), "peak_speed_m_s": v_peak,
            "late_power": (half - start) / (t_peak - start), "stop_ms": 1e3 * (stop - t_peak),
            "fast_ms": 1e3 * (t_peak - half),
            "speed_ramp_r2": np.corrcoef(ramp, speed(ramp))[0, 1] ** 2, "chord": chord,
        })
    for before, this in zip(strokes, strokes[1:]):
        this["pause_s"] = this["t_start_s"] - before["t_stop_s"]
        cos = before["chord"] @ this["chord"] / (before["chord_m"] * this["chord_m"])
        this["opposite_deg"] = np.degrees(np.arccos(np.clip(cos, -1, 1)))
    return strokes


def dip(s, h, length):
    """Largest depth below the upper hull, by Qhull."""
    if np.ptp(h) < 1e-9:
        return 0.0, None
    hull = ConvexHull(np.stack([s, h], 1))
    # facets whose outward normal points up: a s + b h + d = 0 with b > 0
    facets = hull.equations[hull.equations[:, 1] > 1e-9]
    top = np.min((-facets[:, :1] * s - facets[:, 2:]) / facets[:, 1:2], axis=0)
    depth = top - h
    k = int(np.argmax(depth))
    return float(depth[k]), float(s[k] / length)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--binary", required=True)
    parser.add_argument("paths", nargs="*")
    args = parser.parse_args()
    worst, count, failed = {}, 0, []
    with tempfile.TemporaryDirectory() as folder:
        files = [Path(p) for p in args.paths]
        for name, t, at in made_paths():
            file = Path(folder) / f"{name.replace(' ', '-')}.csv"
            write_path(file, t, at)
            files.append(file)
        for file in files:
            out = Path(folder) / f"out-{file.stem}"
            subprocess.run([args.binary, "--quiet", "strokes", file, "-o", out], check=True,
                           stdout=subprocess.DEVNULL)
            with open(out / "strokes.csv", newline="", encoding="utf-8") as f:
                got = list(csv.DictReader(f))
            mine = measure(*read_path(file))
            if len(got) != len(mine):
                failed.append(f"{file.stem}: {len(got)} strokes, {len(mine)} here")
                continue
            for a, b in zip(got, mine):
                count += 1
                for key, limit in LIMITS.items():
                    # where nothing dips there is no place of a dip
                    if key == "dip_at" and b["dip_depth_m"] < 1e-3:
                        continue
                    if (a[key] == "") != (b.get(key) is None):
                        failed.append(f"{file.stem} {key}: '{a[key]}' and {b.get(key)}")
                    elif a[key] != "":
                        miss = abs(float(a[key]) - b[key])
                        worst[key] = max(worst.get(key, 0.0), miss)
                        if not miss <= limit:
                            failed.append(f"{file.stem} stroke {a['stroke']} {key}: {a[key]} and {b[key]:.9g}")
    print(f"{count} strokes of {len(files)} paths, largest differences from SciPy (limit):")
    for key, limit in LIMITS.items():
        print(f"  {key:18} {worst.get(key, float('nan')):.2e}  ({limit:.0e})")
    for line in failed:
        print("FAILED", line)
    sys.exit(1 if failed or not count else 0)


if __name__ == "__main__":
    main()
