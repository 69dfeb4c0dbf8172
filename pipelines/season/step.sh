#!/usr/bin/env bash
# One job of a season, in the season's work folder. Called by the Snakefile:
#   step.sh scene PROGRAM FOLDER SESSION [OPTIONS]
#   step.sh take PROGRAM FOLDER SESSION TAKE [OPTIONS]
#   step.sh report PROGRAM FOLDER SESSION RESULTS [TAKES...] -- [OPTIONS]
#   step.sh season PROGRAM RESULTS [SESSIONS...]
# Leaves SESSION/scene.done, SESSION/takes/TAKE.done, SESSION/report.done or season.done with the program's status in it where that is 0,
# 2 (cannot be used) or 3 (takes failed): what the program says stands beside it as .log. Any other end is a job that failed.
set -euo pipefail
what=$1 program=$2
shift 2

call() { # DONE ARGUMENTS...: calls the program, and notes how it ended
  local done=$1 status=0
  shift
  "$program" --quiet "$@" >"${done%.done}.log" 2>&1 || status=$?
  case $status in
    0 | 2 | 3) echo "$status" >"$done" ;;
    *)
      cat "${done%.done}.log" >&2
      exit "$status"
      ;;
  esac
}

alone() { # FOLDER: waits for a job of an earlier run that is still at work there
  mkdir -p "$1"
  exec 9>"$1/.job"
  flock 9 || true # some network folders know no locks
}

lay() { # FROM TO: links files where it can, copies them where it can't; the program never writes into a file that is there
  [ -e "$1" ] || return 0
  mkdir -p "$2"
  cp -rlf "$1" "$2/" 2>/dev/null || cp -rf "$1" "$2/"
}

lay_scene() { # SESSION TO
  local file
  for file in "$1"/scene/lens "$1"/scene/kept "$1"/scene/scene*.toml; do lay "$file" "$2"; done
}

case $what in
  scene)
    folder=$1 session=$2
    shift 2
    alone "$session/scene"
    call "$session/scene.done" scene "$folder" -o "$session/scene" "$@"
    ;;
  take)
    folder=$1 session=$2 take=$3
    shift 3
    if [ "$(cat "$session/scene.done")" != 0 ]; then # nothing to measure with
      cp "$session/scene.done" "$session/takes/$take.done"
      exit
    fi
    alone "$session/take/$take"
    lay_scene "$session" "$session/take/$take"
    call "$session/takes/$take.done" track "$folder" --take "$take" -o "$session/take/$take" "$@"
    ;;
  report)
    folder=$1 session=$2 results=$3
    shift 3
    alone "$session/report"
    lay_scene "$session" "$results"
    while [ "$1" != -- ]; do
      lay "$session/take/$1/takes/$1" "$results/takes"
      lay "$session/take/$1/kept/take_$1.kept" "$results/kept"
      shift
    done
    shift
    call "$session/report.done" day "$folder" -o "$results" "$@"
    ;;
  season)
    results=$1
    shift
    measured=()
    for session in "$@"; do
      [ "$(cat "$session/report.done")" = 2 ] || measured+=("$results/$session")
    done
    if [ ${#measured[@]} -eq 0 ]; then
      echo 2 >season.done
    else
      call season.done compare "${measured[@]}" -o "$results/season"
    fi
    ;;
esac
