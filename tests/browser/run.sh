#!/usr/bin/env bash
# Opens the pages of results folders in headless Chromium and checks them: tests/browser/run.sh [RESULTS...]
# Without a folder it makes those of tests/sample_results.sh and checks them.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
"$root/pipelines/install.sh" tests
[ -d "$here/node_modules/playwright-core" ] || (cd "$here" && npm ci --no-audit --no-fund --silent)
# Where the distribution's package is only a pointer to another installer, the driver brings a browser of its own.
if [ -z "${CHROMIUM:-}" ]; then
  for name in chromium chromium-browser google-chrome; do
    if "$name" --version >/dev/null 2>&1; then CHROMIUM=$(command -v "$name"); break; fi
  done
  if [ -z "${CHROMIUM:-}" ]; then
    node "$here/node_modules/playwright-core/cli.js" install --with-deps chromium-headless-shell
  fi
fi
export CHROMIUM
if [ $# -eq 0 ]; then
  made=$(mktemp -d)
  trap 'rm -rf "$made"' EXIT
  "$root/tests/sample_results.sh" "$made"
  node "$here/check.mjs" --only day "$made/six"
  set -- "$made"/{day,nameless,failed,nothing,plan,feet,tip-only/report,sixty/report,shifted,season}
fi
# a browser a folder, two at a time: most of the time of a check is waiting for a film to play
printf '%s\0' "$@" | xargs -0 -n 1 -P 2 node "$here/check.mjs"
# a note written on a page, put beside its session, stands on page and handout after the next run
target=$(cargo metadata --manifest-path "$root/Cargo.toml" --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')/release
for folder in "$@"; do
  session=$(dirname "$folder")/session
  if [ "$(basename "$folder")" = day ] && [ -f "$session/session.toml" ]; then
    again=$(mktemp -d)
    cp -r "$folder/." "$again"
    node "$here/notes.mjs" "$target/tipwright" "$session" "$again"
    rm -r "$again"
  fi
done
