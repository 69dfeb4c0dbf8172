#!/usr/bin/env bash
# A season of twelve small sessions on a real Slurm: three nodes of two slots each on this machine, one of them killed in the middle with all
# that runs on it. Prints how many sessions are complete, whether every job was done once, and whether the bytes are those of `day`.
# Usage: tests/studies/slurm.sh SESSION [SESSIONS]     As root (Slurm's daemons); installs Debian's slurm-wlm and munge; stops what it starts.
set -euo pipefail
cd "$(dirname "$0")/../.."
source=$(realpath "$1") wanted=${2:-12}
for program in munged slurmctld slurmd sbatch; do
  if [ ! -x "$(command -v $program || echo /usr/sbin/$program)" ]; then
    apt-get update -qq
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends slurm-wlm munge >/dev/null
    break
  fi
done
pipelines/season/install.sh
tests/reference/install.sh
[ -n "${TIPWRIGHT_BUILT:-}" ] || cargo build --release --quiet
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
export TIPWRIGHT=${TIPWRIGHT:-$target/release/tipwright} SNAKEMAKE=$PWD/.venv/bin/snakemake
export PATH=$PATH:/usr/sbin
work=$(mktemp -d)
cluster=study$$
# jobs find the cluster by Slurm's own place: Snakemake hands no variable of Slurm's on to them
export SLURM_CONF=/etc/slurm/slurm.conf
[ ! -e "$SLURM_CONF" ] || { echo "there is a Slurm here already: $SLURM_CONF" >&2; exit 2; }
say() { echo "$(date +%T) $*"; }
ours() { # NODE: processes of our jobs on a node, by the environment that Slurm gave them, and the stepd of each
  local process parent
  for process in /proc/[0-9]*; do
    if tr '\0' '\n' <"$process/environ" | grep -cxE "SLURM_CLUSTER_NAME=$cluster|SLURMD_NODENAME=$1" | grep -qx 2; then
      basename "$process"
      parent=$(awk '$1 == "PPid:" { print $2 }' "$process/status" || true)
      ! grep -q slurmstepd "/proc/${parent:-none}/comm" || echo "$parent"
    fi
  done 2>/dev/null | sort -u
}
stop() {
  local node file
  for file in "$work"/slurmd-*.pid "$work"/slurmctld.pid "$work"/munged.pid; do
    [ ! -f "$file" ] || kill "$(cat "$file")" 2>/dev/null || true
  done
  sleep 1
  for node in node1 node2 node3; do ours $node | xargs -r kill -9 2>/dev/null || true; done
  rm -rf "$work" "$SLURM_CONF"
}
trap stop EXIT
trap "exit 1" TERM INT

# the cluster
(umask 077 && head -c 128 /dev/urandom >"$work/munge.key")
host=$(hostname -s)
port=$((20000 + RANDOM % 10000))
mkdir -p "$(dirname "$SLURM_CONF")"
cat >"$SLURM_CONF" <<END
ClusterName=$cluster
SlurmctldHost=$host(127.0.0.1)
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket=$work/munge.socket
CredType=cred/munge
SlurmctldPort=$port
SlurmctldPidFile=$work/slurmctld.pid
SlurmdPidFile=$work/slurmd-%n.pid
StateSaveLocation=$work/state
SlurmdSpoolDir=$work/spool-%n
SlurmctldLogFile=$work/slurmctld.log
SlurmdLogFile=$work/slurmd-%n.log
ProctrackType=proctrack/pgid
TaskPlugin=task/none
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU_Memory
SlurmdParameters=config_overrides
MpiDefault=none
ReturnToService=0
SlurmdTimeout=15
JobRequeue=1
MinJobAge=3600
NodeName=node[1-3] NodeHostname=$host NodeAddr=127.0.0.1 Port=[$((port + 1))-$((port + 3))] CPUs=2 RealMemory=8000
PartitionName=field Nodes=node[1-3] Default=YES MaxTime=INFINITE State=UP
END
mkdir "$work/state"
munged --force --key-file="$work/munge.key" --socket="$work/munge.socket" --pid-file="$work/munged.pid" \
  --log-file="$work/munged.log" --seed-file="$work/munged.seed"
slurmctld
for node in node1 node2 node3; do slurmd -N $node; done
for _ in $(seq 30); do
  [ "$(sinfo -h -t idle -o %D)" != 3 ] || break
  sleep 1
done
sinfo -N -o '%N %c slots, %t'

# the season: sessions of one simulated day, each with an id and a part of the take of its own
for k in $(seq -f %02g "$wanted"); do
  session=$work/sessions/clinic-$k
  mkdir -p "$session"
  cp -r "$source/." "$session/"
  rm -rf "$session/truth"
  sed -i -e "/^id = /d; /^date = /d" -e "s/^schema = .*/schema = 2\nid = \"clinic-2026-05-$k-slurm\"\ndate = \"2026-05-$k\"/" \
    -e "s/^\(caster = .*\)/\1\nfrom_s = 0.0\nto_s = $((10#$k % 3 + 3)).0/" "$session/session.toml"
done
began=$(date +%s)
pipelines/season.sh "$work/sessions" "$work/season" --slurm -- --slurm-status-command squeue --seconds-between-status-checks 5 \
  --slurm-init-seconds-before-status-checks 5 --latency-wait 10 --default-resources slurm_partition=field slurm_account=school mem_mb=2000 runtime=30 \
  >"$work/said" 2>&1 &
season=$!
# a node dies when a third of the sessions have their scene, with whatever runs on it
for _ in $(seq 600); do
  scenes=$(compgen -G "$work/season.work/*/scene.done" | wc -l || true)
  if [ "$scenes" -ge $((wanted / 3)) ] && [ -n "$(squeue -h -w node2 -t R -o %i)" ]; then break; fi
  kill -0 $season 2>/dev/null || break
  sleep 1
done
running=$(squeue -h -w node2 -t R -o %i | wc -l)
kill -9 "$(cat "$work/slurmd-node2.pid")"
for _ in 1 2 3; do ours node2 | xargs -r kill -9 2>/dev/null || true; done
rm "$work/slurmd-node2.pid"
say "node2 killed with $running jobs on it, $scenes of $wanted scenes done"
status=0
wait $season || status=$?
cat "$work/said"
[ -f "$work/season.work/season.done" ] || { tail -60 "$work/season.work/run.log" >&2; exit 1; }
took=$(($(date +%s) - began))
say "status $status after $took s; nodes: $(sinfo -h -N -o '%N %t' | tr '\n' ' ')"

# nothing lost, nothing twice, the bytes of `day`
complete=0 same=0
for k in $(seq -f %02g "$wanted"); do
  name=clinic-$k
  [ "$(cat "$work/season.work/$name/report.done" 2>/dev/null)" != 0 ] || complete=$((complete + 1))
  "$TIPWRIGHT" -q day "$work/sessions/$name" -o "$work/day/$name" >/dev/null
  if said=$(python3 tests/same_results.py "$work/season/$name" "$work/day/$name"); then same=$((same + 1)); fi
  echo "$name: $said"
done
.venv/bin/python tests/reference/queries.py "$work/season"
rows=$(.venv/bin/python -c "
import duckdb
print(*duckdb.sql(\"select count(*), count(distinct (session_id, take, stroke)) from '$work/season/**/strokes.parquet'\").fetchall()[0])")
echo "$complete of $wanted sessions complete, $same of $wanted with the bytes of day; rows of strokes and distinct strokes: $rows"
if [ "$complete" -ne "$wanted" ] || [ "$same" -ne "$wanted" ] || [ "${rows% *}" != "${rows#* }" ]; then
  tail -60 "$work/season.work/run.log" >&2
  exit 1
fi
