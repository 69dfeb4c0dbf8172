#!/usr/bin/env python3
"""The motion solver against scipy.optimize.least_squares on the identical problem.

    solver_scipy.py --binary PATH [--seconds 2] [--fps 60]     (PATH: the example `solver_exchange`, built with --release)

The example makes a take of two cameras (path as a cubic spline, second pose, clocks, readouts free; Cauchy loss on each
pixel; jerk prior), solves it from a stated start and writes everything as JSON. Here the same function is written
again in NumPy and minimised by SciPy (sparse Jacobian by differences, trust region), from the same start.
Fails unless both minima agree to 1e-6 (relative in cost; metres in the path; radians and metres in the pose; seconds in the
clock) and the solver here is at least 20 times faster.
"""
import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares
from scipy.sparse import lil_matrix
from scipy.spatial.transform import Rotation


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--binary", required=True)
    parser.add_argument("--seconds", type=float, default=2.0)
    parser.add_argument("--fps", type=float, default=60.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as tmp:
        out = Path(tmp) / "problem.json"
        run = subprocess.run([args.binary, str(args.seconds), str(args.fps), str(out)], capture_output=True, text=True)
        if run.returncode:
            sys.exit(run.stderr)
        print(run.stdout.strip())
        p = json.loads(out.read_text())
    n = len(p["start"])
    obs = np.array(p["observations"])
    cam = obs[:, 0].astype(int)
    pts, pix = obs[:, 1], obs[:, 2:4]
    rows = np.array([c["rows"] for c in p["cameras"]])[cam]
    fraction = (pix[:, 1] - (rows - 1) / 2) / rows
    h, start_s, spans = p["spacing_s"], p["start_s"], p["spans"]
    r0 = [Rotation.from_quat(np.roll(c["start"]["wxyz"], -1)) for c in p["cameras"]]
    t0 = [np.array(c["start"]["t"]) for c in p["cameras"]]
    clock0 = np.array([c["start_clock"] for c in p["cameras"]])
    length, length_sd = p["baseline"]
    readout_mean, readout_sd = p["readout_prior"]
    c2 = p["loss_scale"] ** 2
    # Border: turn (3), shift (3), offset, drift of the second camera, both readouts.
    border = 10

    def parts(x):
        r = [r0[0], Rotation.from_rotvec(x[n : n + 3]) * r0[1]]
        t = [t0[0], t0[1] + x[n + 3 : n + 6]]
        clock = clock0.copy()
        clock[1, 0] += x[n + 6]
        clock[1, 1] += x[n + 7]
        clock[:, 2] += x[n + 8 : n + 10]
        return r, t, clock

    def locate(clock):
        t = clock[cam, 0] + (1 + clock[cam, 1]) * pts + clock[cam, 2] * fraction
        s = (t - start_s) / h
        i = np.clip(np.floor(s), 0, spans - 1).astype(int)
        return i, s - i

    def residual(x):
        r, t, clock = parts(x)
        i, u = locate(clock)
        w = np.stack([(1 - u) ** 3 / 6, (3 * u**3 - 6 * u**2 + 4) / 6, (-3 * u**3 + 3 * u**2 + 3 * u + 1) / 6, u**3 / 6], 1)
        c = x[:n].reshape(-1, 3)
        point = sum(w[:, k, None] * c[i + k] for k in range(4))
        out = np.zeros((len(obs), 2))
        for k, camera in enumerate(p["cameras"]):
            here = cam == k
            q = r[k].apply(point[here]) + t[k]
            a, b = q[:, 0] / q[:, 2], q[:, 1] / q[:, 2]
            k1, k2, p1, p2, k3 = camera["d"]
            rr = a * a + b * b
            radial = 1 + rr * (k1 + rr * (k2 + rr * k3))
            xd = a * radial + 2 * p1 * a * b + p2 * (rr + 2 * a * a)
            yd = b * radial + p1 * (rr + 2 * b * b) + 2 * p2 * a * b
            out[here, 0] = pix[here, 0] - (camera["f"][0] * xd + camera["c"][0])
            out[here, 1] = pix[here, 1] - (camera["f"][1] * yd + camera["c"][1])
        out /= p["sigma_px"]
        # Cauchy's loss on the pixel as a whole: scale each residual so that its square is the loss.
        s2 = (out**2).sum(1)
        out *= np.sqrt(np.where(s2 > 1e-12, c2 * np.log1p(s2 / c2) / np.maximum(s2, 1e-12), 1.0))[:, None]
        jerk = (-c[:-3] + 3 * c[1:-2] - 3 * c[2:-1] + c[3:]) / h**3 * np.sqrt(h / p["jerk_density"])
        centre = [-(r[k].inv().apply(t[k])) for k in range(2)]
        base = (length - np.linalg.norm(centre[1] - centre[0])) / length_sd
        return np.concatenate([out.ravel(), jerk.ravel(), [base], (clock[:, 2] - readout_mean) / readout_sd])

    x0 = np.concatenate([p["start"], np.zeros(border)])
    _, _, clock = parts(x0)
    i, _ = locate(clock)
    pattern = lil_matrix((len(residual(x0)), n + border), dtype=int)
    for m in range(len(obs)):
        for axis in range(2):
            # One span to either side: the clock may move a sighting.
            a, b = max(0, 3 * (i[m] - 1)), min(n, 3 * (i[m] + 5))
            pattern[2 * m + axis, a:b] = 1
            pattern[2 * m + axis, n:] = 1
    for m in range(len(p["start"]) // 3 - 3):
        for axis in range(3):
            for k in range(4):
                pattern[2 * len(obs) + 3 * m + axis, 3 * (m + k) + axis] = 1
    pattern[-3:, n:] = 1
    begin = time.time()
    got = least_squares(residual, x0, jac_sparsity=pattern, x_scale="jac", xtol=1e-10, ftol=1e-10, gtol=1e-10, max_nfev=400)
    scipy_s = time.time() - begin
    print(f"scipy: {scipy_s:.2f} s from the same start, {got.nfev} evaluations, cost {got.cost:.9f}: {got.message}")
    # To the bottom: from our solution SciPy must find no lower place, to 1e-6 in everything.
    r1 = Rotation.from_quat(np.roll(p["cameras"][1]["solved"]["wxyz"], -1))
    ours = np.concatenate([
        p["solved"],
        (r1 * r0[1].inv()).as_rotvec(),
        np.array(p["cameras"][1]["solved"]["t"]) - t0[1],
        np.array(p["cameras"][1]["solved_clock"][:2]) - clock0[1, :2],
        [c["solved_clock"][2] - s for c, s in zip(p["cameras"], clock0[:, 2])],
    ])
    ours_cost = 0.5 * (residual(ours) ** 2).sum()
    exact = dense_newton(residual, got.x if got.cost < ours_cost else ours, pattern)
    exact_cost = 0.5 * (residual(exact) ** 2).sum()
    cost_off = abs(ours_cost - exact_cost) / exact_cost
    stated_off = abs(ours_cost - p["cost"]) / exact_cost
    path_off = np.abs(ours[:n] - exact[:n]).max()
    border_off = np.abs(ours[n:] - exact[n:])
    print(f"cost: here {ours_cost:.9f}, stated {p['cost']:.9f}, minimum {exact_cost:.9f}, scipy {got.cost:.9f}")
    print(f"path {path_off:.2e} m, turn {border_off[:3].max():.2e} rad, shift {border_off[3:6].max():.2e} m, clock {border_off[6:].max():.2e} s from the minimum")
    ratio = scipy_s / p["solve_s"]
    print(f"time: here {p['solve_s']:.4f} s, scipy {scipy_s:.2f} s: {ratio:.0f} times faster")
    ok = stated_off < 1e-9 and cost_off < 1e-6 and path_off < 1e-6 and border_off.max() < 1e-6 and ratio >= 20
    print("agrees" if ok else "DOES NOT AGREE")
    return 0 if ok else 1


def dense_newton(residual, x, pattern):
    """Polishes a minimum by Gauss-Newton steps solved densely (LAPACK), halved until the cost falls."""
    from scipy.optimize._numdiff import approx_derivative, group_columns

    groups = group_columns(pattern)
    for _ in range(30):
        f = residual(x)
        jac = approx_derivative(residual, x, method="3-point", f0=f, sparsity=(pattern, groups)).toarray()
        step = np.linalg.lstsq(jac, -f, rcond=None)[0]
        scale = 1.0
        while scale > 1e-6 and (residual(x + scale * step) ** 2).sum() > (f**2).sum() * (1 + 1e-15):
            scale /= 2
        x = x + scale * step
        if np.abs(scale * step).max() < 1e-10:
            break
    return x


if __name__ == "__main__":
    sys.exit(main())
