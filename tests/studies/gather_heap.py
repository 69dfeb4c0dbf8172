#!/usr/bin/env python3
"""A heap of clips out of a simulated day, gathered: pairs against the truth, and what looking cost.

    tests/studies/gather_heap.py SESSION WORK [PROGRAM]

Makes WORK/heap anew from SESSION (`tipwright simulate`): clips under random names, the second phone's calendar 7 minutes ahead,
one take's clip missing on the second phone, one stray clip (a piece of trees and grass, filmed at another time) on the first, a session.toml without
lenses, scene and takes. Gathers twice and prints: pairs right of those that can be, what was invented, the stray, whether the second
run changed a byte, and processor time against decoding every frame once. Needs the commands ffmpeg and ffprobe.
"""
import json, pathlib, random, re, resource, shutil, subprocess, sys, tomllib
from datetime import datetime, timedelta, timezone

session, work = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
program = sys.argv[3] if len(sys.argv) > 3 else "target/release/tipwright"
heap = work / "heap"
shutil.rmtree(heap, ignore_errors=True)
truth = tomllib.loads((session / "session.toml").read_text())
rng = random.Random(19)
cameras = [c["name"] for c in truth["camera"]]


def spent(arguments):
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(arguments, capture_output=True, text=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return done, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def stamp(clip):
    out = subprocess.run(["ffprobe", "-v", "error", "-show_entries", "format_tags=creation_time", "-of", "csv=p=0", clip],
                         capture_output=True, text=True, check=True).stdout.strip()
    return datetime.fromisoformat(out.replace("Z", "+00:00")) if out else None


moments = {("lens", c["name"]): {c["name"]: c["lens"]} for c in truth["camera"] if not c["lens"].endswith(".toml")}
moments |= {("scene", group): clips for group, clips in truth["scene"].items()}
moments |= {("take", t["name"]): t["clips"] for t in truth["take"]}
missing = (truth["take"][len(truth["take"]) // 2]["name"], cameras[1])
new_name, decode_s = {}, 0.0
for key, clips in moments.items():
    for camera, clip in clips.items():
        if key == ("take", missing[0]) and camera == missing[1]:
            continue
        source = session / clip
        target = heap / camera / f"{rng.choice(['IMG', 'VID', 'PXL'])}_{rng.randrange(10**6):06}{source.suffix}"
        target.parent.mkdir(parents=True, exist_ok=True)
        began = stamp(source)
        # the first phone's stamps are kept, the second's are seven minutes ahead
        extra = [] if began is None else ["-metadata", "creation_time=" + (began + timedelta(minutes=7 * cameras.index(camera))).astimezone(timezone.utc).isoformat()]
        subprocess.run(["ffmpeg", "-v", "error", "-y", "-i", source, "-map", "0", "-c", "copy", *extra, target], check=True)
        new_name[f"{camera}/{target.name}"] = (key, camera)
        decode_s += spent(["ffmpeg", "-v", "error", "-threads", "1", "-i", target, "-map", "0:v", "-f", "null", "-"])[1]
stray = heap / cameras[0] / "IMG_999999.mp4"
subprocess.run(["ffmpeg", "-v", "error", "-y", "-f", "lavfi", "-i", "testsrc2=size=1920x1080:rate=120:duration=4", "-c:v", "libx264", "-g", "120",
                "-preset", "ultrafast", "-metadata", "creation_time=2026-06-13T11:33:00Z", stray], check=True)

text = (session / "session.toml").read_text()
# lenses made already stay; clips go
text = re.sub(r'(?m)^lens = ".*\.(mp4|mov)"\n', "", text)
text = re.sub(r"(?ms)^\[scene\..*?(?=^\[\[take|\Z)", "", text)
text = re.sub(r"(?ms)^\[\[take.*", "", text)
text = "# a person's note\n" + text + "# and a last one\n"
(heap / "session.toml").write_text(text)
for camera in truth["camera"]:
    if camera["lens"].endswith(".toml"):
        shutil.copy(session / camera["lens"], heap / camera["lens"])
shutil.copy(session / "casters.csv", heap)

done, look_s = spent([program, "-q", "--json", "gather", str(heap)])
first = (heap / "session.toml").read_text()
again, _ = spent([program, "-q", "--json", "gather", str(heap)])
second = (heap / "session.toml").read_text()
print(done.stderr)
report = json.loads(done.stdout)
made = tomllib.loads(first)

wrong, right = [], 0
entries = [("lens", c["name"], {c["name"]: c.get("lens", "")}) for c in made["camera"] if not c.get("lens", "").endswith(".toml")]
entries += [("scene", group, clips) for group, clips in made.get("scene", {}).items()]
entries += [("take", None, t["clips"]) for t in made.get("take", [])]
for room, name, clips in entries:
    of = {new_name.get(clip, (("?", "?"), "?")) for clip in clips.values()}
    keys = {key for key, _ in of}
    good = len(keys) == 1 and all(new_name[clip][1] == camera for camera, clip in clips.items() if clip in new_name)
    key = next(iter(keys))
    good = good and key[0] == room and (name is None or key[1] == name)
    right, wrong = right + good, wrong + ([] if good else [(room, name, clips)])
lone = [c for c, (key, camera) in new_name.items() if key == ("take", missing[0])]
alone = [t["name"] for t in report["takes"] if len(t["clips"]) == 1]
can_be = sum(1 for key in moments if key != ("take", missing[0])) + len(alone)
unplaced = {u["clip"]: u["reason"] for u in report["unplaced"]}
kept = all(line in first for line in text.splitlines())
print(f"entries right {right} of {can_be}, wrong {wrong}")
print(f"stray told: {unplaced.get(cameras[0] + '/' + stray.name)}")
print(f"clip whose partner is missing told: {[unplaced.get(c) for c in lone]}, written as a take of one view: {alone}")
print(f"left over otherwise: {[c for c in unplaced if c not in lone and not c.endswith(stray.name)]}")
print(f"calendars {report['calendars']}")
print(f"a person's lines kept {kept}, second run the same file {first == second}, exit {done.returncode} {again.returncode}")
print(f"looking {look_s:.1f} s of processor, decoding every frame {decode_s:.1f} s: {look_s / decode_s:.3f}")
sys.exit(0 if not wrong and right == can_be and kept and first == second and len(unplaced) + len(alone) == 2 else 1)
