#!/usr/bin/env python3
"""Holds the licences of all dependencies to what Apache-2.0 software may link: licences.py [--list]

Reads `cargo metadata`; every crate's SPDX expression is parsed by the package license-expression and must be met by the
licences below. `--list` prints crate, version and licence of each, for a release.
"""
import json
import subprocess
import sys

from license_expression import get_spdx_licensing

# permissive; BSL-1.0 and Unicode-3.0 ask only for their notice in source
ALLOWED = {"Apache-2.0", "MIT", "MIT-0", "BSD-2-Clause", "BSD-3-Clause", "ISC", "Zlib", "0BSD", "CC0-1.0", "BSL-1.0",
           "Unicode-3.0", "Unlicense", "WTFPL", "Apache-2.0 WITH LLVM-exception"}
spdx = get_spdx_licensing()


def met(node):
    """True when the expression can be satisfied from ALLOWED."""
    kind = type(node).__name__
    if kind == "AND":
        return all(met(a) for a in node.args)
    if kind == "OR":
        return any(met(a) for a in node.args)
    return str(node) in ALLOWED


metadata = json.loads(subprocess.run(["cargo", "metadata", "--format-version", "1", "--locked"], check=True,
                                     stdout=subprocess.PIPE).stdout)
ours = set(metadata["workspace_members"])
bad, count = [], 0
for package in sorted(metadata["packages"], key=lambda p: p["name"]):
    if package["id"] in ours:
        continue
    count += 1
    text = (package["license"] or "").replace("/", " OR ")
    if "--list" in sys.argv:
        print(f"{package['name']} {package['version']}: {text}")
    try:
        fine = bool(text) and met(spdx.parse(text, validate=True))
    except Exception as error:
        fine, text = False, f"{text} ({error})"
    if not fine:
        bad.append(f"{package['name']} {package['version']}: {text or 'none stated'}")
print(f"licences: {count} dependencies, {len(bad)} not allowed (limit 0)")
assert count > 100, "cargo metadata named no dependencies"
if bad:
    sys.exit("\n".join(bad))
