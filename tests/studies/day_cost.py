"""Processor time, wall time and memory of `day` against `ffmpeg -f null` of the same clips; called by day_cost.sh.

Both are measured the same way: user and system time of the process and its threads as the kernel counts it for whoever waits for it.
The set-up is what `scene` costs; the first take what `day` of the session with that take alone costs beyond it (report and pages too);
a further take what each of the others adds. FFmpeg decodes the clips one after the other with the threads it chooses.
"""

import os
import re
import subprocess
import sys
import tempfile
import time
import tomllib
from pathlib import Path

MIB = 1024.0


def once(command):
    began = time.monotonic()
    child = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    said = child.stderr.read()
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    # a take that cannot be measured (status 3) costs time as well
    if child.returncode not in (0, 3):
        sys.exit(f"{' '.join(map(str, command))}: status {child.returncode}\n{said.decode(errors='replace')}")
    return usage.ru_utime + usage.ru_stime, time.monotonic() - began, usage.ru_maxrss / MIB


def least(command, runs):
    """Least processor and wall time of some runs, most memory."""
    got = [once(command()) for _ in range(runs)]
    return min(g[0] for g in got), min(g[1] for g in got), max(g[2] for g in got)


def decoding(session, clips, runs):
    costs = [
        least(lambda: ["ffmpeg", "-v", "quiet", "-nostdin", "-i", session / clip, "-map", "0:v", "-f", "null", "-"], runs)
        for clip in clips
    ]
    return sum(c[0] for c in costs), sum(c[1] for c in costs)


def clips_of(document):
    lenses = [c["lens"] for c in document["camera"] if not c["lens"].endswith(".toml")]
    scenes = [s.get("scene", {}) for s in document.get("set_up", [])] + [document.get("scene", {})]
    set_up = [clip for scene in scenes for group in scene.values() for clip in group.values()]
    return sorted(set(set_up)), sorted(set(lenses)), [sorted(t["clips"].values()) for t in document["take"]]


def with_one_take(session, place):
    """The session with its first take alone: links to its folders, and session.toml up to the second take."""
    place.mkdir()
    for entry in session.iterdir():
        if entry.name not in ("session.toml", "truth"):
            (place / entry.name).symlink_to(entry)
    text = (session / "session.toml").read_text()
    starts = [m.start() for m in re.finditer(r"^\[\[take\]\]", text, re.M)]
    (place / "session.toml").write_text(text[: starts[1]] if len(starts) > 1 else text)
    return place


def main():
    program, session = sys.argv[1], Path(sys.argv[2]).resolve()
    runs = int(sys.argv[3]) if len(sys.argv) > 3 else 3
    set_up, lenses, takes = clips_of(tomllib.loads((session / "session.toml").read_text()))
    print(f"{session.name}: {len(set_up)} clips of the set-up, {len(lenses)} of lenses, {len(takes)} takes; least of {runs} runs")
    with tempfile.TemporaryDirectory() as room:
        room = Path(room)

        def run(command, of):
            results = room / "results"

            def fresh():
                subprocess.run(["rm", "-rf", results], check=True)
                return [program, "-q", command, of, "-o", results]

            return least(fresh, runs)

        scene = run("scene", session)
        one = run("day", with_one_take(session, room / "one"))
        every = run("day", session) if len(takes) > 1 else one
    decode_set_up = decoding(session, set_up + lenses, runs)
    decode_takes = [decoding(session, clips, runs) for clips in takes]
    rest = len(takes) - 1
    rows = [("set-up", scene, decode_set_up)]
    rows.append(("first take", tuple(one[i] - scene[i] for i in (0, 1)) + (one[2],), decode_takes[0]))
    if rest:
        more = tuple((every[i] - one[i]) / rest for i in (0, 1)) + (every[2],)
        rows.append(("each further take", more, tuple(sum(d[i] for d in decode_takes[1:]) / rest for i in (0, 1))))
    whole = tuple(decode_set_up[i] + sum(d[i] for d in decode_takes) for i in (0, 1))
    rows.append(("the whole day", every, whole))
    print(f"{'':18}  processor time, s            wall time, s                 memory")
    print(f"{'':18}  decoding     day   times     decoding     day   times        MiB")
    for name, (cpu, wall, memory), (cpu0, wall0) in rows:
        print(
            f"{name:18}  {cpu0:8.2f}{cpu:8.2f}{cpu / cpu0:8.2f}     {wall0:8.2f}{wall:8.2f}{wall / wall0:8.2f}   {memory:8.0f}"
        )


main()
