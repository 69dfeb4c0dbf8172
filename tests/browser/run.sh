#!/usr/bin/env bash
# Opens the pages of a results folder in headless Chromium and checks them: tests/browser/run.sh [RESULTS...]
# Without a folder it makes up sample results (a small session and one of 60 strokes) and checks those.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
[ -d "$here/node_modules/playwright-core" ] || (cd "$here" && npm ci --no-audit --no-fund --silent)
if [ $# -eq 0 ]; then
  made=$(mktemp -d)
  trap 'rm -rf "$made"' EXIT
  cargo build -q --manifest-path "$root/Cargo.toml" -p tipwright --example sample_results
  target=$(cargo metadata --manifest-path "$root/Cargo.toml" --no-deps --format-version 1 | python3 -c 'import json,sys; print(json.load(sys.stdin)["target_directory"])')
  sample="$target/debug/examples/sample_results"
  "$sample" "$made/feet" 5 --ft
  "$sample" "$made/tip-only" 3 --tip-only
  "$sample" "$made/sixty" 7
  set -- "$made/feet" "$made/tip-only" "$made/sixty"
fi
exec node "$here/check.mjs" "$@"
