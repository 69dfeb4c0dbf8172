#!/usr/bin/env python3
"""Projection, rays, triangulation, lens and pose, worked out a second time by OpenCV and SciPy on the same numbers.

    geometry_opencv.py --binary PATH      (PATH: the example `geometry_exchange`, built with --release)

- projection: cv2.projectPoints of the triangulated points, and back by cv2.undistortPoints
- triangulation: scipy.optimize.least_squares over the same distances across each ray, from the first guess 1 m off
- lens: cv2.calibrateCamera on the same corners (the same model, all views, no flags)
- pose: cv2.stereoCalibrate with both lenses held, polished by scipy.optimize.least_squares on our own residuals

Status 1 when anything is off by more than its limit, printed beside it.
"""
import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

failed = []


def hold(what, off, limit):
    print(f"{what}: off by {off:.2e}, limit {limit:.0e}{'' if off <= limit else '   OVER'}")
    if not off <= limit:
        failed.append(what)


def matrix(lens):
    return np.array([[lens["f"][0], 0, lens["c"][0]], [0, lens["f"][1], lens["c"][1]], [0, 0, 1.0]])


def rotation(pose):
    return Rotation.from_quat(np.roll(pose["wxyz"], -1))


def project(points, rvec, t, lens):
    return cv2.projectPoints(points, rvec, t, matrix(lens), np.array(lens["d"]))[0][:, 0]


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--binary", required=True)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as tmp:
        out = Path(tmp) / "geometry.json"
        run = subprocess.run([args.binary, str(out)], capture_output=True, text=True)
        if run.returncode:
            sys.exit(run.stderr)
        print(run.stdout.strip())
        g = json.loads(out.read_text())

    # Rays: OpenCV's inverse of the distortion, iterated to the bottom.
    for side, lens in enumerate(g["lenses"]):
        seen = np.array([p["seen"][side] for p in g["points"]])
        rays = np.array([p["rays"][side] for p in g["points"]])
        criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-14)
        if hasattr(cv2, "undistortPointsIter"):  # OpenCV 4; 5 takes the criteria in undistortPoints itself
            theirs = cv2.undistortPointsIter(seen[:, None], matrix(lens), np.array(lens["d"]), None, None, criteria)
        else:
            theirs = cv2.undistortPoints(seen[:, None], matrix(lens), np.array(lens["d"]), criteria=criteria)
        theirs = theirs.reshape(-1, 2)
        hold(f"rays of lens {side} (cv2.undistortPoints)", np.abs(theirs - rays).max(), 1e-9)
        # and forwards again: the projection of a point on each ray is the pixel it came from
        ahead = np.column_stack([rays, np.ones(len(rays))])
        back = project(ahead, np.zeros(3), np.zeros(3), lens)
        hold(f"projection of lens {side} (cv2.projectPoints), px", np.abs(back - seen).max(), 1e-6)

    # Triangulation, the weights following the distance as there.
    worst, worst_sd = 0.0, 0.0
    turns = [rotation(p) for p in g["poses"]]
    centres = [-(r.inv().apply(p["t"])) for r, p in zip(turns, g["poses"])]
    for point in g["points"]:
        directions = []
        for side, turn in enumerate(turns):
            d = turn.inv().apply([*point["rays"][side], 1.0])
            directions.append(d / np.linalg.norm(d))
        x = np.array(point["truth_m"]) + [0.5, -0.6, 0.6]
        for _ in range(12):
            sds = [g["sigma_px"] / lens["f"][0] * np.linalg.norm(x - c) for lens, c in zip(g["lenses"], centres)]

            def across(p):
                return np.concatenate([
                    ((p - c) - d * (d @ (p - c))) / sd for c, d, sd in zip(centres, directions, sds)])

            solved = least_squares(across, x, method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15)
            x = solved.x
        worst = max(worst, np.abs(x - point["found_m"]).max())
        sd = np.sqrt(np.diag(np.linalg.inv(solved.jac.T @ solved.jac)))
        ours = np.sqrt(np.diag(np.array(point["covariance_m2"]).reshape(3, 3)))
        worst_sd = max(worst_sd, np.abs(ours / sd - 1).max())
    hold("triangulation (scipy.optimize.least_squares), m", worst, 1e-6)
    hold("its standard deviations, relative", worst_sd, 1e-5)

    # Lens: the same model on the same corners.
    columns, rows = g["board"]
    flat = np.zeros((columns * rows, 3), np.float32)
    flat[:, :2] = np.mgrid[:columns, :rows].T.reshape(-1, 2) * g["square_m"]
    for side in range(2):
        corners = [np.array(p[side], np.float32)[:, None] for p in g["pairs"]]
        criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 300, 1e-14)
        rms, k, d, *_ = cv2.calibrateCamera([flat] * len(corners), corners, g["size_px"], None, None, criteria=criteria)
        ours = g["calibrated"][side]
        mine = np.array([*ours["f"], *ours["c"]])
        theirs = np.array([k[0, 0], k[1, 1], k[0, 2], k[1, 2]])
        # corners reach OpenCV in single precision: 1e-4 px in 1920
        hold(f"lens {side} (cv2.calibrateCamera), px", np.abs(mine - theirs).max(), 0.01)
        hold(f"its rms, px", abs(rms - ours["rms_px"]), 1e-5)
        sd = np.abs(np.array(ours["f"]) - g["lenses"][side]["f"]) / ours["f_sd"]
        hold(f"lens {side}: focal lengths from the truth, stated sds", sd.max(), 3)

    # Pose: SciPy on pose and boards from OpenCV's answer; ours must be the same place.
    flat = flat.astype(float)
    seen = [np.array([p[side] for p in g["pairs"]]) for side in range(2)]
    boards = []
    for corners in seen[0]:
        lens = g["lenses"][0]
        _, rvec, tvec = cv2.solvePnP(flat, corners[:, None], matrix(lens), np.array(lens["d"]))
        boards.append(np.concatenate([rvec[:, 0], tvec[:, 0]]))
    start = cv2.stereoCalibrate(
        [flat.astype(np.float32)] * len(boards), [c.astype(np.float32)[:, None] for c in seen[0]],
        [c.astype(np.float32)[:, None] for c in seen[1]], matrix(g["lenses"][0]), np.array(g["lenses"][0]["d"]),
        matrix(g["lenses"][1]), np.array(g["lenses"][1]["d"]), g["size_px"], flags=cv2.CALIB_FIX_INTRINSIC)
    relative = np.concatenate([Rotation.from_matrix(start[5]).as_rotvec(), start[6][:, 0]])

    def residual(x):
        turn, shift = Rotation.from_rotvec(x[:3]), x[3:6]
        out = []
        for k in range(len(boards)):
            b = x[6 + 6 * k: 12 + 6 * k]
            out.append(project(flat, b[:3], b[3:], g["lenses"][0]) - seen[0][k])
            second = turn * Rotation.from_rotvec(b[:3])
            out.append(project(flat, second.as_rotvec(), turn.apply(b[3:]) + shift, g["lenses"][1]) - seen[1][k])
        return np.concatenate(out).ravel()

    got = least_squares(residual, np.concatenate([relative, *boards]), jac="3-point", x_scale="jac",
                        xtol=1e-14, ftol=1e-14, gtol=1e-14)
    ours = np.concatenate([rotation(g["stereo"]).as_rotvec(), g["stereo"]["t"]])
    hold("pose (scipy.optimize.least_squares), rad and m", np.abs(got.x[:6] - ours).max(), 1e-6)
    hold("its rms, px", abs(np.sqrt((got.fun**2).sum() / (len(got.fun) / 2)) - g["stereo_rms_px"]), 1e-6)
    hold("pose (cv2.stereoCalibrate, single precision), rad and m", np.abs(relative - ours).max(), 1e-5)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
