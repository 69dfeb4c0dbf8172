#!/usr/bin/env bash
# Measures every session folder below SESSIONS into RESULTS/<session>, take by take on all cores or on a cluster, and compares them in
# RESULTS/season. Run again, it goes on where it was; what is finished and rests on the same clips and settings is not done again.
#   pipelines/season.sh SESSIONS RESULTS [--slurm] [--work DIR] [--stages "OPTIONS"] [--day "OPTIONS"] [-- OPTIONS OF SNAKEMAKE]
# --stages: options of every stage, such as "--settings /data/mine.toml"; --day: options of `day` alone, such as --film; --work: where jobs
# keep their parts and logs, RESULTS.work when absent. TIPWRIGHT and SNAKEMAKE name the programs where they are not on the path.
# Status: 0 all measured, 2 the call is wrong, 3 some takes or sessions failed (said at the end), 1 jobs that did not end: run it again.
set -euo pipefail
usage() {
  sed -n '2,8s/^# //p' "$0" >&2
  exit 2
}
[ $# -ge 2 ] || usage
here=$(cd "$(dirname "$0")" && pwd)
sessions=$(realpath "$1") results=$(realpath -m "$2")
shift 2
work=$results.work profile=local stages="" day=""
while [ $# -gt 0 ]; do
  case $1 in
    --slurm) profile=slurm && shift ;;
    --work) work=$(realpath -m "$2") && shift 2 ;;
    --stages) stages=$2 && shift 2 ;;
    --day) day=$2 && shift 2 ;;
    --) shift && break ;;
    *) usage ;;
  esac
done
compgen -G "$sessions/*/session.toml" >/dev/null || { echo "no session folders in $sessions" >&2; exit 2; }
program=$(realpath "$(command -v "${TIPWRIGHT:-tipwright}")") || { echo "tipwright is not on the path; TIPWRIGHT names it" >&2; exit 2; }
snakemake=${SNAKEMAKE:-$(command -v snakemake || echo "$here/../.venv/bin/snakemake")}
[ -x "$snakemake" ] || {
  echo "Snakemake is not here. For example: python3 -m venv .venv && .venv/bin/pip install -r $here/season/requirements.txt" >&2
  exit 2
}
mkdir -p "$work" "$results"
exec 8>"$work/.run"
flock -n 8 || { echo "another run is at work in $work" >&2; exit 2; }
status=0
"$snakemake" --snakefile "$here/season/Snakefile" --directory "$work" --profile "$here/season/$profile" --nolock "$@" --config \
  sessions="$sessions" results="$results" work="$work" program="$program" stages="$stages" day="$day" >"$work/run.log" 2>&1 8>&- || status=$?
failed=0 unfinished=0
for file in "$sessions"/*/session.toml; do
  name=$(basename "$(dirname "$file")")
  case $(cat "$work/$name/report.done" 2>/dev/null || true) in
    0) echo "$name: measured" ;;
    3) echo "$name: some takes failed, see $work/$name/report.log" && failed=3 ;;
    2) echo "$name: cannot be used, see $work/$name/report.log" && failed=3 ;;
    *) echo "$name: not finished, see $work/run.log" && unfinished=1 ;;
  esac
done
if [ "$unfinished" -ne 0 ] || { [ "$status" -ne 0 ] && [ ! -f "$work/season.done" ]; }; then
  echo "Jobs did not end; run the same call again, it goes on where it was. What was said: $work/run.log" >&2
  exit 1
fi
echo "Open $results/season/index.html"
exit "$failed"
