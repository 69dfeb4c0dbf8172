#!/usr/bin/env python3
"""Takes in long clips, gathered: found and whose against the truth, and what looking cost.

    tests/studies/long_takes.py SESSION WORK [PROGRAM]

SESSION is `tipwright simulate --days long` (four takes in 90 s) or `--days hour` (twelve in an hour, two of them without a card). Its clips are
gathered without the entries that name them. Prints takes found, right casters and phases, what was invented, and processor time against decoding;
of long clips the first four minutes are decoded and counted up by length. Needs ffmpeg and ffprobe.
"""
import csv, json, pathlib, resource, shutil, subprocess, sys

session, work = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
program = sys.argv[3] if len(sys.argv) > 3 else "target/release/tipwright"
heap = work / "long"
shutil.rmtree(heap, ignore_errors=True)
# gather reads its clips only
shutil.copytree(session, heap, ignore=shutil.ignore_patterns("truth"), copy_function=lambda a, b: pathlib.Path(b).hardlink_to(a))
text = (session / "session.toml").read_text()
(heap / "session.toml").unlink()
(heap / "session.toml").write_text(text[: text.index("[scene")])
truth = list(csv.DictReader((session / "truth" / "long.csv").open()))


def run(arguments):
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run([str(a) for a in arguments], capture_output=True, text=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return done, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


decode_s = 0.0
for clip in sorted(p for p in heap.glob("*/*") if p.suffix in (".mp4", ".mov")):
    length_s = float(run(["ffprobe", "-v", "error", "-show_entries", "format=duration", "-of", "csv=p=0", clip])[0].stdout)
    read_s = min(length_s, 240.0)
    decode_s += run(["ffmpeg", "-v", "error", "-threads", "1", "-t", read_s, "-i", clip, "-map", "0:v", "-f", "null", "-"])[1] * length_s / read_s
done, look_s = run(["/usr/bin/time", "-f", "%M", "-o", work / "most", program, "-q", "--json", "gather", heap, "--phases", "before,after"])
report = json.loads(done.stdout)
right, by_card, missed, claimed = 0, 0, [], set()
for row in truth:
    begin_s, end_s = float(row["from_s"]), float(row["to_s"])
    # most of its strokes lie inside
    own = [t for t in report["takes"] if t["from_s"] is not None and t["from_s"] < begin_s + 2.0 and t["to_s"] > end_s - 3.0 and len(t["clips"]) == 2]
    if not own:
        missed.append(row["take"])
        continue
    claimed.add(own[0]["name"])
    # a card says phase and caster; without one the caster is a guess, and said to be
    good = (own[0]["caster"], own[0]["phase"], own[0]["caster_is_guess"]) == (row["caster"], row["phase"], False) if row["phase"] else own[0]["caster_is_guess"]
    right, by_card = right + good, by_card + (good and bool(row["phase"]))
invented = [(t["name"], t["from_s"], t["to_s"]) for t in report["takes"] if t["name"] not in claimed]
print(f"takes right {right} of {len(truth)}, by a card {by_card}; missed {missed}; invented {invented}")
print(f"told: {[t['doubt'] for t in report['takes'] if t['doubt']]} {[(u['clip'], u['reason']) for u in report['unplaced']]}")
print(f"looking {look_s:.1f} s of processor and {int((work / 'most').read_text().split()[-1]) / 1000:.0f} MB, decoding {decode_s:.1f} s: {look_s / decode_s:.3f}")
sys.exit(0 if right == len(truth) and not invented else 1)
