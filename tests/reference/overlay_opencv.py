#!/usr/bin/env python3
"""The tip's path over the pictures, projected by OpenCV with nothing but the results folder.

    overlay_opencv.py RESULTS [MORE RESULTS...]

For every take and camera: the tip's path (path.csv, cubic between its rows) at the instant at which the camera's clock
saw the marker's row, projected by cv2.projectPoints with the pose and lens that run.json keeps for the take, against
where the marker was found (spots_<camera>.csv). Limit: 1 px rms, of each camera of each take. Prints what scene.toml's
cameras would give beside it.
"""
import csv
import json
import os
import sys
import tomllib

import cv2
import numpy as np

LIMIT_PX = 1.0


def rotation_from_wxyz(q):
    w, x, y, z = np.array(q) / np.linalg.norm(q)
    return np.array([
        [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
        [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
        [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
    ])


def columns(path, names):
    with open(path, newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return rows, np.array([[float(r[n]) for n in names] for r in rows])


def at(path, t_s):
    """Hermite between neighbouring rows; NaN outside and in gaps."""
    k = np.clip(np.searchsorted(path[:, 0], t_s), 1, len(path) - 1)
    a, b = path[k - 1], path[k]
    step = b[:, 0] - a[:, 0]
    u = ((t_s - a[:, 0]) / step)[:, None]
    h = step[:, None]
    p = ((2 * u**3 - 3 * u**2 + 1) * a[:, 1:4] + (u**3 - 2 * u**2 + u) * h * a[:, 4:7]
         + (3 * u**2 - 2 * u**3) * b[:, 1:4] + (u**3 - u**2) * h * b[:, 4:7])
    usual = np.median(np.diff(path[:, 0]))
    bad = (t_s < path[0, 0]) | (t_s > path[-1, 0]) | (step > 1.5 * usual)
    p[bad] = np.nan
    return p


def shutter(picture, spots):
    """Share of the shutter's way, -0.5 to 0.5, of upright pixels: the shutter runs along the stored rows."""
    (_, rows), (x, y) = picture["stored_px"], spots[:, 1:3].T
    v = {"R0": y, "R90": rows - 1 - x, "R180": rows - 1 - y, "R270": x}[picture["rotation"]]
    return (v - (rows - 1) / 2) / rows


def off_px(points, pixels, pose, lens):
    matrix = np.array([[lens["fx_px"], 0, lens["cx_px"]], [0, lens["fy_px"], lens["cy_px"]], [0, 0, 1.0]])
    turn, _ = cv2.Rodrigues(rotation_from_wxyz(pose["rotation_wxyz"]))
    found, _ = cv2.projectPoints(points, turn, np.array(pose["translation_m"]), matrix, np.array(lens["distortion"]))
    return float(np.sqrt(np.mean(np.sum((found[:, 0, :] - pixels) ** 2, axis=1))))


def main():
    failed = False
    for folder in sys.argv[1:]:
        with open(os.path.join(folder, "run.json"), encoding="utf-8") as file:
            run = json.load(file)
        with open(os.path.join(folder, "scene.toml"), "rb") as file:
            scene = {c["name"]: c for c in tomllib.load(file)["camera"]}
        for take, of_take in run["takes"].items():
            if of_take["status"] != "done":
                continue
            _, path = columns(os.path.join(folder, "takes", take, "path.csv"),
                              ["t_s", "x_m", "y_m", "z_m", "vx_m_s", "vy_m_s", "vz_m_s"])
            clocks = {c["camera"]: c for c in of_take["clocks"]}
            for fit in of_take["cameras"]:
                name, lens = fit["camera"], fit["lens"]
                rows, spots = columns(os.path.join(folder, "takes", take, f"spots_{name}.csv"), ["pts_s", "x_px", "y_px"])
                spots = spots[[r["role"] == "tip" for r in rows]]
                clock = clocks[name]
                t_s = (clock["offset_s"] + (1 + clock["drift"]) * spots[:, 0]
                       + clock["readout_s"] * shutter(fit["picture"], spots))
                points = at(path, t_s)
                seen = np.isfinite(points).all(axis=1)
                with open(os.path.join(folder, "lens", f"{name}.toml"), "rb") as file:
                    filed = tomllib.load(file)
                own = off_px(points[seen], spots[seen, 1:3], fit, lens)
                other = off_px(points[seen], spots[seen, 1:3], scene[name], filed)
                ok = own < LIMIT_PX and seen.sum() > 50
                failed |= not ok
                print(f"{take}, {name}: {seen.sum()} spots, {own:.3f} px rms (limit {LIMIT_PX}; with scene.toml and the lens file "
                      f"{other:.3f}){'' if ok else '  FAILED'}")
    sys.exit(1 if failed else 0)


main()
