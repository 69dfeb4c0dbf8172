#!/usr/bin/env python3
"""Each camera of the surveyed flights set against its surveyed trajectory alone: readout, focal length, centre, k1.

    flight_cameras.py --binary PATH [--data DIR] [--sets set1 ...]      (seconds a set; takes flight.py's options)

Prints for every camera how far its lens is from its file's and how its shutter runs; a readout below zero runs up the
stored picture. Where `LensSd` and the readout's prior of `scene --points` come from. The start is the tool's own
solution of all cameras, then SciPy alone: pose, clock, readout and lens by least squares on the labels, the path held
to the fixes (cubic spline). Source of the data: see tests/reference/flight.py.
"""
import re
import sys
from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "reference"))
import flight  # noqa: E402

# Wide priors, relative and pixels, that only keep what a camera hardly tells from running away.
FOCAL_SD, CENTRE_SD_PX, K1_SD = 0.05, 25.0, 0.1


def project(lens, points, turn, shift, focal, centre_px, k1):
    """OpenCV's five-coefficient model with a focal factor, a moved centre and an added k1."""
    k = np.array(lens["K-matrix"], float)
    d = (list(lens["distCoeff"]) + [0.0] * 5)[:5]
    p = Rotation.from_rotvec(turn).apply(points) + shift
    x, y = p[:, 0] / p[:, 2], p[:, 1] / p[:, 2]
    r2 = x * x + y * y
    radial = 1 + (d[0] + k1) * r2 + d[1] * r2**2 + d[4] * r2**3
    u = x * radial + 2 * d[2] * x * y + d[3] * (r2 + 2 * x * x)
    v = y * radial + d[2] * (r2 + 2 * y * y) + 2 * d[3] * x * y
    return np.c_[k[0, 0] * focal * u + k[0, 2] + centre_px[0], k[1, 1] * focal * v + k[1, 2] + centre_px[1]]


def resect(camera, clock, turn, shift, times, fixes):
    lens = camera["lens"]
    rows = camera["rows"][(camera["rows"][:, 1] != 0) | (camera["rows"][:, 2] != 0)]
    place = CubicSpline(times, fixes)
    offset, drift, readout, _ = clock
    pts = rows[:, 0] / lens["fps"]
    own = offset + (1 + drift) * pts
    rows = rows[(own > times[2]) & (own < times[-3])]
    pts, height = rows[:, 0] / lens["fps"], lens["resolution"][1]
    fraction = (rows[:, 2] - (height - 1) / 2) / height

    def residuals(p):
        t = offset + p[6] + (1 + drift) * pts + p[7] * (pts - np.median(pts)) + p[8] * fraction
        pixel = project(lens, place(np.clip(t, times[0], times[-1])), p[:3], p[3:6], np.exp(p[9]), p[10:12], p[12])
        held = [p[9] / FOCAL_SD, *(p[10:12] / CENTRE_SD_PX), p[12] / K1_SD]
        return np.r_[(rows[:, 1:3] - pixel).ravel(), held]

    start = np.r_[turn, shift, 0, 0, readout, 0, 0, 0, 0]
    size = np.r_[[1e-3] * 3, [0.05] * 3, 0.005, 1e-5, 0.005, 0.003, 1, 1, 0.01]
    found = least_squares(residuals, start, loss="soft_l1", f_scale=2.0, x_scale=size)
    apart = residuals(found.x)[:-4].reshape(-1, 2)
    return found.x, float(np.median(np.hypot(*apart.T))), len(rows)


def main():
    parser = flight.parser_of_sets(__doc__)
    args = parser.parse_args()
    args.example, args.verbose = False, False
    for folder, cameras in flight.sets_of(args):
        fixes = np.loadtxt(folder / "trajectory" / "rtk.txt")
        got, _, error = flight.solve(args, cameras)
        if got is None:
            sys.exit(f"{folder.name}: {error}")
        path, scene = flight.Interpolated(got[0]), got[1]
        shift, step = flight.align(path, fixes)
        _, _, scale, rotation, _ = flight.residuals(path, fixes, shift, step)
        times = shift + step * np.arange(len(fixes))
        x, ok, _ = path.at(times)
        _, _, move = flight.similarity(x[ok], fixes[ok])
        clocks = flight.clocks_of(scene)
        poses = [re.findall(rf"^{key} = \[(.*)\]", scene, re.M) for key in ("rotation_wxyz", "translation_m")]
        for camera, wxyz, translation in zip(cameras, *poses):
            w, i, j, k = (float(v) for v in wxyz.split(","))
            # fixes = scale * rotation * path + move
            turn = Rotation.from_quat([i, j, k, w]) * Rotation.from_matrix(rotation).inv()
            at = scale * np.array([float(v) for v in translation.split(",")]) - turn.apply(move)
            p, median_px, n = resect(camera, clocks[camera["name"]], turn.as_rotvec(), at, times, fixes)
            print(
                f"{folder.name} {camera['name']}: {n} labels, {median_px:.2f} px off at the median; readout {1e3 * p[8]:+.1f} ms "
                f"of a frame's {1e3 / camera['lens']['fps']:.1f}; focal length {100 * p[9]:+.2f} %, centre {p[10]:+.1f} {p[11]:+.1f} px, "
                f"k1 {p[12]:+.4f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
