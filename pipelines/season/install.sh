#!/usr/bin/env bash
# Brings Snakemake, pinned in requirements.txt, into the project's Python environment .venv. Does nothing when it is there.
set -euo pipefail
cd "$(dirname "$0")/../.."
if ! .venv/bin/snakemake --version 2>/dev/null | grep -qx "$(sed -n 's/^snakemake==//p' pipelines/season/requirements.txt)"; then
  [ -x .venv/bin/python ] || python3 -m venv .venv
  .venv/bin/pip install --quiet -r pipelines/season/requirements.txt
fi
