#!/usr/bin/env python3
"""Fits the relations of crates/tipwright/src/evidence/fitted.rs: logistic regression by Newton's iteration, a little ridge.

Usage: calibration_fit.py FIGURES.csv [CHECK.csv]   (files of the calibration example's --figures)
Prints constants, and Brier scores against the base rate's on both files. Needs NumPy.
"""
import csv
import sys

import numpy as np


def column(rows, name, missing=np.nan):
    return np.array([float(r[name]) if r[name] else missing for r in rows])


def read(path):
    """Strokes that are no pick-ups and whose loop came to the standard moment."""
    with open(path, newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return [r for r in rows if r["kind"] != "pick-up" and r["loop"] == "1"]


def terms(rows):
    chord = column(rows, "chord_m")
    dip = np.maximum(column(rows, "dip_depth_m"), 0.001)
    dip_at = column(rows, "dip_at", 0.5)
    proxy = column(rows, "loop_width_proxy_m")
    return {
        "tail": {
            "ln dip/1cm": np.log(dip / 0.01),
            "dip_at": dip_at,
            "proxy": proxy,
            "late_power": column(rows, "late_power"),
        },
        "wide-loop": {
            "proxy": proxy,
            "dome/chord": column(rows, "dome_height_m") / chord,
        },
    }


def truth(rows):
    return {
        "tail": column(rows, "loop_crossings_true") > 1.5,
        "wide-loop": column(rows, "loop_width_m_true") > 1.8,
    }


def fit(x, y, ridge=0.5):
    mean, spread = x.mean(0), np.maximum(x.std(0), 1e-9)
    design = np.hstack([np.ones((len(x), 1)), (x - mean) / spread])
    w = np.zeros(design.shape[1])
    damp = ridge * np.eye(len(w))
    damp[0, 0] = 1e-6
    for _ in range(60):
        p = 1 / (1 + np.exp(-design @ w))
        step = np.linalg.solve((design * (p * (1 - p))[:, None]).T @ design + damp, design.T @ (y - p) - damp @ w)
        w += step
    weights = w[1:] / spread
    return w[0] - weights @ mean, weights


def main():
    rows = read(sys.argv[1])
    check = read(sys.argv[2]) if len(sys.argv) > 2 else None
    for name, columns in terms(rows).items():
        x, y = np.stack(list(columns.values()), 1), truth(rows)[name]
        whole = np.isfinite(x).all(1)
        constant, weights = fit(x[whole], y[whole].astype(float))
        print(f"{name}: {whole.sum()} strokes, {y[whole].sum()} true; constant {constant:.3f}")
        for key, weight in zip(columns, weights):
            print(f"    {key:14} {weight:9.3f}")
        for where, some in (("fitted", rows), ("checked", check)):
            if some is None:
                continue
            x, y = np.stack(list(terms(some)[name].values()), 1), truth(some)[name].astype(float)
            whole = np.isfinite(x).all(1)
            x, y = x[whole], y[whole]
            p = 1 / (1 + np.exp(-(constant + x @ weights)))
            brier, base = np.mean((p - y) ** 2), np.mean(y) * (1 - np.mean(y))
            print(f"    {where}: Brier {brier:.4f}, base rate's {base:.4f}, {100 * (brier / max(base, 1e-9) - 1):+.0f} %")


if __name__ == "__main__":
    main()
