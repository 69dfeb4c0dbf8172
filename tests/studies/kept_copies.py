#!/usr/bin/env python3
"""What is kept of one measured take, copied, for studies of how many takes and sessions cost: results, not clips.

    kept_copies.py takes RESULTS NAME...            more takes in a results folder, as if measured from the same clips
    kept_copies.py season RESULTS OUT SESSIONS TAKES  results folders below OUT for `compare`, of twelve casters with keys; their
                                                    figures are scaled by a caster, a session and a stroke, drawn from a fixed seed
Needs blake3 (PyPI)."""
import copy
import json
import random
import shutil
import sys
from pathlib import Path

import blake3

CASTERS = [f"{k:02d}" for k in range(1, 13)]


def read(path):
    _, head, body = path.read_bytes().split(b"\n", 2)
    return json.loads(head), json.loads(body)


def write(path, head, value):
    rest = b"\n".join([json.dumps(head).encode(), json.dumps(value).encode(), b""])
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(blake3.blake3(rest).hexdigest()[:32].encode() + b"\n" + rest)


def first_take(results):
    return sorted((results / "kept").glob("take_*.kept"))[0]


def takes(results, names):
    source = first_take(results)
    head, take = read(source)
    old = take["take"]
    for name in names:
        shutil.copytree(results / "takes" / old, results / "takes" / name)
        files = {place.replace(f"takes/{old}/", f"takes/{name}/"): digest for place, digest in head["files"].items()}
        write(results / "kept" / f"take_{name}.kept", {**head, "files": files}, {**take, "take": name})


def season(results, out, sessions, takes):
    (take_head, take), (head, session) = read(first_take(results)), read(results / "kept" / "session.kept")
    rng = random.Random(5)
    skill = {caster: rng.gauss(1, 0.2) for caster in CASTERS}
    for s in range(sessions):
        effect, kept = rng.gauss(1, 0.05), []
        for k in range(takes):
            caster = CASTERS[(k + s) % len(CASTERS)]
            own = copy.deepcopy(take)
            own |= {"session": f"Evening {s}", "take": f"take-{k:03d}", "caster": caster, "alias": f"Bird {caster}"}
            own["keys"] = {"session_id": f"evening-{s:02d}", "date": f"2026-{4 + s // 28:02d}-{1 + s % 28:02d}", "caster_key": f"school-{caster}"}
            for figures in (stroke["figures"]["values"] for stroke in own["strokes"]):
                for measured in figures.values():
                    measured["value"] *= skill[caster] * effect * rng.gauss(1, 0.1)
            write(out / f"evening-{s:02d}" / "kept" / f"take_{own['take']}.kept", take_head, own)
            kept.append({"Measured": own["take"]})
        value = {"session": {**session["session"], "title": f"Evening {s}"}, "takes": kept}
        write(out / f"evening-{s:02d}" / "kept" / "session.kept", head, value)


if sys.argv[1] == "takes":
    takes(Path(sys.argv[2]), sys.argv[3:])
else:
    season(Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4]), int(sys.argv[5]))
