#!/usr/bin/env python3
"""Whether two results folders hold the same bytes, but for times: same_results.py ONE OTHER. Prints how many files, and a digest of all.

Left out: the lock, how long stages took (run.json), and the digest of run.json in the manifest. Status 1 where anything else differs."""
import hashlib
import json
import sys
from pathlib import Path

TIMES = {"stage_seconds", "wall_seconds"}


def timeless(path, name):
    data = path.read_bytes()
    if name == "run.json":
        data = json.dumps({k: v for k, v in json.loads(data).items() if k not in TIMES}, sort_keys=True).encode()
    elif name == "manifest.json":
        content = json.loads(data)
        content["files"].pop("run.json")
        data = json.dumps(content, sort_keys=True).encode()
    return hashlib.sha256(data).hexdigest()


def files(root):
    all_files = sorted(p for p in Path(root).rglob("*") if p.is_file() and p.name != ".lock")
    return {(name := p.relative_to(root).as_posix()): timeless(p, name) for p in all_files}


def main():
    one, other = files(sys.argv[1]), files(sys.argv[2])
    differ = sorted(name for name in one.keys() | other.keys() if one.get(name) != other.get(name))
    for name in differ[:20]:
        where = "differs" if name in one and name in other else f"only in {sys.argv[1] if name in one else sys.argv[2]}"
        print(f"{name}: {where}")
    digest = hashlib.sha256(json.dumps(one, sort_keys=True).encode()).hexdigest()[:16]
    print(f"{len(one)} files, {len(differ)} differ, digest of all {digest}")
    sys.exit(1 if differ or not one else 0)


main()
