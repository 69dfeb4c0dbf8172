#!/usr/bin/env python3
"""Boards against OpenCV, both ways round: what is printed OpenCV reads, what OpenCV draws is read and gives the lens it was drawn with.

    boards_opencv.py --binary PATH      (PATH: `tipwright`, built with --release)

- `tipwright board --board coded:9x6`: cv2.aruco.CharucoDetector, given the words of `math::square_words` as this file makes them by the
  rule, finds every inner corner under the number it has in the same board of OpenCV's; cv2.findChessboardCorners and
  cv2.findCirclesGrid find every point of the other boards
- cv2.aruco.CharucoBoard with these words and with those of OpenCV's own dictionaries of 4 x 4 to 7 x 7 cells, also in its earlier
  pattern, drawn in perspective through a known lens: `tipwright lens --board coded` says the board's counts and the focal lengths
  within 0.3 %; asked for a plain 9x6 of such stills, it names the coded board

Status 1 when anything is off by more than its limit, printed beside it.
"""
import argparse
import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np

failed = []
PX_MM = 6.0
SIZE = (960, 540)
FINE = 3
LENS = np.array([[752.0, 0, 476.0], [0, 751.0, 273.0], [0, 0, 1]])
DISTORTION = np.array([0.10, -0.25, 0.001, -0.001, 0.1])
SQUARE_M = 0.025


WORDS, CELLS, APART = 128, 4, 4


def the_words():
    """The words of coded boards by the rule that `math::square_words` tells, 1 where a cell is black."""
    state, whole, kept = 1, 2**64 - 1, []
    while len(kept) < WORDS:
        state = (state + 0x9E3779B97F4A7C15) & whole
        z = state
        z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9 & whole
        z = (z ^ (z >> 27)) * 0x94D049BB133111EB & whole
        z ^= z >> 31
        cells = np.array([z >> i & 1 for i in range(CELLS**2)], np.uint8).reshape(CELLS, CELLS)
        changes = (np.diff(cells.astype(int), axis=0) != 0).sum() + (np.diff(cells.astype(int), axis=1) != 0).sum()
        if not 4 <= cells.sum() <= 12 or changes < 8:
            continue
        turned = [np.rot90(cells, turns) for turns in range(4)]
        if min((turned[0] != t).sum() for t in turned[1:]) < APART:
            continue
        if kept and (np.array(kept)[:, None] != np.array(turned)[None]).sum((2, 3)).min() < APART:
            continue
        kept.append(cells)
    return kept


def dictionary():
    of = cv2.aruco.Dictionary.getByteListFromBits
    return cv2.aruco.Dictionary(np.concatenate([of(1 - word) for word in the_words()]), CELLS)


def hold(what, right, told=""):
    print(f"{what}: {'right' if right else 'WRONG'} {told}")
    if not right:
        failed.append(what)


def printed(binary, board, square_mm, folder):
    """The sheet as a picture, drawn from its rectangles and polygons in order."""
    path = folder / "board.svg"
    call = [binary, "-q", "board", "--board", board, "--square-mm", str(square_mm), "-o", str(path)]
    subprocess.run(call, check=True, capture_output=True)
    text = path.read_text()
    w, h = (float(v) for v in re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', text).groups())
    page = np.full((round(h * PX_MM), round(w * PX_MM)), 255, np.uint8)
    number = r'="(-?[\d.]+)"'
    shapes = re.finditer(
        rf'<rect x{number} y{number} width{number} height{number}/>|<polygon points="([^"]+)" fill="(#\w+)"/>', text
    )
    for shape in shapes:
        x, y, width, height, points, ink = shape.groups()
        if points is None:
            x, y, width, height = map(float, (x, y, width, height))
            corners = np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])
            value = 0
        else:
            corners = np.array([[float(v) for v in p.split(",")] for p in points.split()])
            value = int(ink[1:3], 16)
        # pixel centres are whole numbers
        cv2.fillPoly(page, [np.round((corners * PX_MM - 0.5) * 16).astype(np.int32)], value, cv2.LINE_8, 4)
    return page


def what_is_printed(binary, folder):
    words = dictionary()
    for columns, rows, square_mm in [(9, 6, 25), (6, 8, 22), (7, 7, 20)]:
        page = printed(binary, f"coded:{columns}x{rows}", square_mm, folder)
        theirs = cv2.aruco.CharucoBoard((columns + 1, rows + 1), square_mm, 0.75 * square_mm, words)
        corners, ids, _, _ = cv2.aruco.CharucoDetector(theirs).detectBoard(page)
        name = f"printed coded:{columns}x{rows}"
        if ids is None or len(ids) != columns * rows:
            hold(name, False, "not all corners are read")
            continue
        at = corners.reshape(-1, 2)[np.argsort(ids.ravel())].reshape(rows, columns, 2)
        step = PX_MM * square_mm
        across, down = at[:, 1:] - at[:, :-1], at[1:] - at[:-1]
        off = max(np.abs(across - [step, 0]).max(), np.abs(down - [0, step]).max())
        hold(name, off < 0.5, f"{len(ids)} corners, steps off by {off:.2f} px of {step:.0f}")
    page = printed(binary, "9x6", 25, folder)
    found, corners = cv2.findChessboardCorners(cv2.resize(page, None, fx=0.5, fy=0.5), (9, 6))
    hold("printed 9x6", found)
    page = printed(binary, "circles:4x11", 20, folder)
    flags = cv2.CALIB_CB_ASYMMETRIC_GRID
    found, _ = cv2.findCirclesGrid(cv2.resize(page, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA), (4, 11), flags=flags)
    hold("printed circles:4x11", found)


def rays():
    xs, ys = ((np.arange(n * FINE) + 0.5) / FINE - 0.5 for n in SIZE)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 1, 2)
    flat = cv2.undistortPoints(grid, LENS, DISTORTION, None, None, None, (3, 40, 1e-10)).reshape(-1, 2)
    return np.concatenate([flat, np.ones((len(flat), 1))], axis=1)


def drawn(picture, px_square, rotation, translation, rays):
    """A board's picture, its upper left corner at the board's origin, on white paper before grey."""
    directions = rays @ rotation
    eye = -rotation.T @ translation
    at = (eye[:2] - (eye[2] / directions[:, 2])[:, None] * directions[:, :2]) / SQUARE_M * px_square
    h, w = picture.shape
    i = np.floor(at).astype(int)
    inside = (i[:, 0] >= 0) & (i[:, 1] >= 0) & (i[:, 0] < w) & (i[:, 1] < h)
    margin = 0.4 * px_square
    paper = (at[:, 0] > -margin) & (at[:, 1] > -margin) & (at[:, 0] < w + margin) & (at[:, 1] < h + margin)
    value = np.where(paper, 215.0, 110.0)
    value[inside] = np.where(picture[i[inside, 1], i[inside, 0]] < 128, 30.0, 215.0)
    return (value.reshape(SIZE[1], FINE, SIZE[0], FINE).mean((1, 3)) + 0.5).astype(np.uint8)


def what_opencv_draws(binary, folder):
    directions = rays()
    rng = np.random.default_rng(20)
    own, theirs = dictionary(), lambda name: cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))
    boards = [
        ("10 x 7 squares", 10, 7, False, 0.75, own),
        ("8 x 6 squares of larger codes", 8, 6, False, 0.8, own),
        ("9 x 6 squares, the first one white, of smaller codes", 9, 6, True, 0.65, own),
    ] + [
        (f"{across} x {down} squares of {name}", across, down, earlier, share, theirs(name))
        for name, across, down, earlier, share in [
            ("DICT_4X4_50", 10, 7, False, 0.75),
            ("DICT_5X5_100", 6, 8, False, 0.7),
            ("DICT_6X6_250", 9, 7, True, 0.8),
            ("DICT_7X7_1000", 8, 6, False, 0.75),
        ]
    ]
    for name, across, down, earlier, share, words in boards:
        board = cv2.aruco.CharucoBoard((across, down), 1.0, share, words)
        board.setLegacyPattern(earlier)
        px_square = 120
        picture = board.generateImage((across * px_square, down * px_square), marginSize=0)
        stills = folder / "stills"
        stills.mkdir(exist_ok=True)
        middle = np.array([across, down, 0]) * SQUARE_M / 2
        for k, (px, py) in enumerate([(0, 0), (-1, -1), (1, -1), (1, 1), (-1, 1), (0, -1), (0, 1), (-1, 0), (1, 0)] + [(0, 0)] * 3):
            z, tilt, way = rng.uniform(0.3, 0.5), rng.uniform(0.2, 0.65), rng.uniform(0, 2 * np.pi)
            lean = cv2.Rodrigues(tilt * np.array([np.cos(way), np.sin(way), 0]))[0]
            rotation = lean @ cv2.Rodrigues(np.array([0, 0, rng.uniform(-0.3, 0.3)]))[0]
            translation = np.array([0.5 * px * z, 0.27 * py * z, z]) - rotation @ middle
            still = drawn(picture, px_square, rotation, translation, directions)
            cv2.imwrite(str(stills / f"{k:02}.png"), still)
        call = [binary, "--json", "lens", str(stills), "--board", "coded", "--square-mm", "25", "-o", str(folder / "lens.toml")]
        run = subprocess.run(call, capture_output=True, text=True)
        if run.returncode:
            hold(f"drawn {name}", False, run.stdout + run.stderr)
            continue
        found = json.loads(run.stdout)
        off = max(abs(found["lens"][f"f{a}_px"] / LENS[i, i] - 1) for i, a in enumerate("xy"))
        # which side of a board of others' words is the upper one it does not say: the longer one
        counts = [across - 1, down - 1] if words is own else sorted([across - 1, down - 1], reverse=True)
        said = found["board"] == "coded:{}x{}".format(*counts)
        told = f"{found['board']}, {found['lens']['views_used']} of 12 views, focal lengths off by {100 * off:.3f} %, limit 0.3 %"
        hold(f"drawn {name}", said and off < 0.003, told)
        if across == 8:
            plain = [binary, "lens", str(stills), "--board", "9x6", "--square-mm", "25", "-o", str(folder / "plain.toml")]
            run = subprocess.run(plain, capture_output=True, text=True)
            hold(f"asked for a plain board of {name}", run.returncode != 0 and "--board coded" in run.stderr, "")


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--binary", required=True)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as tmp:
        what_is_printed(args.binary, Path(tmp))
        what_opencv_draws(args.binary, Path(tmp))
    if failed:
        sys.exit("failed: " + ", ".join(failed))


main()
