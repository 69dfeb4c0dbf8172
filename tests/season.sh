#!/usr/bin/env bash
# A season of two clinics of one title, with the same numbers of casters and names of takes: measured by the workflow on four local jobs it
# holds the same bytes as by `day`, keeps the clinics apart in four readers of tables, goes on after a kill, and a bad clip costs its take.
# Usage: tests/season.sh SESSION     (a small simulated session; about 60 s on two cores)
set -euo pipefail
cd "$(dirname "$0")/.."
source=$(realpath "$1")
pipelines/season/install.sh
tests/reference/install.sh
[ -n "${TIPWRIGHT_BUILT:-}" ] || cargo build --release --quiet
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
export TIPWRIGHT=${TIPWRIGHT:-$target/release/tipwright} SNAKEMAKE=$PWD/.venv/bin/snakemake
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
for k in 1 2; do
  session=$work/sessions/clinic-$k
  mkdir -p "$session"
  cp -rl "$source/." "$session/" 2>/dev/null || cp -r "$source/." "$session/"
  rm -rf "$session/truth"
  sed -i.before -e "/^id = /d; /^date = /d" -e "s/^schema = .*/schema = 2\nid = \"clinic-2026-05-0$k-test\"\ndate = \"2026-05-0$k\"/" "$session/session.toml"
  rm "$session/session.toml.before"
done
# of the second both clips of a take are cut to a tenth: it fails, and no other; one clip of another: it is measured by one camera
cut=$work/sessions/clinic-2
clip() { sed -n "/^\[take.clips\]/,\$ s/^$1 *= *\"\(.*\)\"/\1/p" "$source/session.toml" | head -1; }
for camera in west east; do
  head -c $(($(stat -c %s "$source/$(clip $camera)") / 10)) "$source/$(clip $camera)" >"$cut/$camera/cut.mp4"
done
printf '\n[[take]]\nname = "02 cut"\ncaster = "01"\nclips = { west = "west/cut.mp4", east = "east/cut.mp4" }\n' >>"$cut/session.toml"
printf '\n[[take]]\nname = "03 alone"\ncaster = "01"\nclips = { west = "west/cut.mp4", east = "%s" }\n' "$(clip east)" >>"$cut/session.toml"

season() { pipelines/season.sh "$work/sessions" "$work/season" -- --cores 4; }
failed() {
  echo "FAILED: $*" >&2
  [ ! -f "$work/season.work/run.log" ] || tail -40 "$work/season.work/run.log" >&2
  exit 1
}
# killed in the middle with all its jobs, it goes on
setsid pipelines/season.sh "$work/sessions" "$work/season" -- --cores 4 >/dev/null 2>&1 &
leader=$!
for _ in $(seq 200); do
  [ ! -f "$work/season.work/clinic-1/scene.done" ] || break
  sleep 0.2
done
kill -9 -- "-$leader" 2>/dev/null || true
wait "$leader" 2>/dev/null || true
[ ! -f "$work/season.work/season.done" ] || failed "it was over before it was killed"
status=0
season || status=$?
[ "$status" -eq 3 ] || failed "status $status where a take is bad: 3 is told"
for k in 1 2; do
  status=0
  "$TIPWRIGHT" --quiet day "$work/sessions/clinic-$k" -o "$work/day/clinic-$k" >/dev/null 2>"$work/err" || status=$?
  [ "$status" -eq $((k == 1 ? 0 : 3)) ] || failed "day: status $status: $(cat "$work/err")"
  echo "clinic-$k by the workflow and by day: $(python3 tests/same_results.py "$work/season/clinic-$k" "$work/day/clinic-$k")" ||
    failed "the workflow's bytes are not those of day: $(python3 tests/same_results.py "$work/season/clinic-$k" "$work/day/clinic-$k")"
done
python3 - "$work/season/clinic-2/strokes.csv" <<'END' || failed "a take of one camera: views"
import csv, sys
views = [row["views"] for row in csv.DictReader(open(sys.argv[1])) if row["take"] == "03 alone"]
print(f"a take that one camera filmed: {len(views)} strokes by one view")
sys.exit(0 if views and set(views) == {"1"} else 1)
END
# together with what an earlier program wrote
cp -r tests/fixtures/results-schema-2 "$work/season/earlier"
.venv/bin/python tests/reference/queries.py "$work/season" || failed "queries"
rm -r "$work/season/earlier"
# nothing to do; results that were deleted come back from the parts
before=$(python3 tests/same_results.py "$work/season/clinic-1" "$work/season/clinic-1")
rm -r "$work/season/clinic-1"
season >/dev/null || true
[ "$before" = "$(python3 tests/same_results.py "$work/season/clinic-1" "$work/season/clinic-1")" ] || failed "deleted results came back otherwise"
echo "season: holds"
