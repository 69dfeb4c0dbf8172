#!/usr/bin/env bash
# Opens the pages of a results folder in headless Chromium and checks them: tests/browser/run.sh [RESULTS...]
# Without a folder it makes up sample results (a small session and one of 60 strokes), measures the smallest simulated
# day with film, and checks those.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
[ -d "$here/node_modules/playwright-core" ] || (cd "$here" && npm ci --no-audit --no-fund --silent)
if [ $# -eq 0 ]; then
  made=$(mktemp -d)
  trap 'rm -rf "$made"' EXIT
  cargo build -q --release --manifest-path "$root/Cargo.toml" -p tipwright --example sample_results
  cargo build -q --release --manifest-path "$root/Cargo.toml" -p tipwright-cli
  target=$(cargo metadata --manifest-path "$root/Cargo.toml" --no-deps --format-version 1 | python3 -c 'import json,sys; print(json.load(sys.stdin)["target_directory"])')
  sample="$target/release/examples/sample_results"
  "$sample" "$made/feet" 5 --ft
  "$sample" "$made/tip-only" 3 --tip-only
  "$sample" "$made/sixty" 7
  "$target/release/tipwright" --quiet simulate --days minimal -o "$made/session"
  "$target/release/tipwright" --quiet day "$made/session" -o "$made/day" --film
  "$target/release/tipwright" --quiet compare "$made/day" -o "$made/day/compare/casters" --by caster
  set -- "$made/day" "$made/feet" "$made/tip-only" "$made/sixty"
fi
exec node "$here/check.mjs" "$@"
