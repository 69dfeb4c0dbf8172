#!/usr/bin/env python3
"""A whole day's heap, gathered: pairs, casters, phases, set-ups and strays against the truth, and what looking cost.

    tests/studies/heap_day.py SESSION WORK [PROGRAM]

SESSION is `tipwright simulate --days heap`: forty takes in three set-ups, all filmed, under the names and with the tags that phones give; half of
them with a card held crooked, five missing on a phone, three clips of nothing, a wand clip that was stopped at once and begun again, the second
phone's clock seven minutes ahead and without sound. truth/heap.csv says what each clip is. Gathers a copy twice and prints how much is right, what
is wrong, what was told of the clips that are left, and processor time against decoding every frame once. Needs ffmpeg.
"""
import csv, json, pathlib, resource, shutil, subprocess, sys, tomllib

session, work = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
program = sys.argv[3] if len(sys.argv) > 3 else "target/release/tipwright"
heap = work / "heap"
shutil.rmtree(heap, ignore_errors=True)
shutil.copytree(session, heap, ignore=shutil.ignore_patterns("truth"))
# a person's own lines, before and after
written = "# ours, kept\n" + (session / "session.toml").read_text() + "# the last line of a person's"
(heap / "session.toml").write_text(written)
truth = {row["clip"]: row for row in csv.DictReader((session / "truth" / "heap.csv").open())}


def run(arguments):
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run([str(a) for a in arguments], capture_output=True, text=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return done, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def of(clips):
    """What clips of an entry are: one moment, or several by mistake."""
    rows = [truth[clip] for clip in clips.values()]
    moments = {row["moment"] for row in rows}
    return rows, (rows[0] if len(moments) == 1 else None)


decode_s = sum(run(["ffmpeg", "-v", "error", "-threads", "1", "-i", heap / clip, "-map", "0:v", "-f", "null", "-"])[1] for clip in truth)
done, look_s = run([program, "-q", "--json", "gather", heap])
first = (heap / "session.toml").read_text()
again, _ = run([program, "-q", "--json", "gather", heap])
same = (heap / "session.toml").read_text() == first
print(done.stderr[-3000:])
report, made = json.loads(done.stdout), tomllib.loads(first)

clips_of = {}
for clip, row in truth.items():
    clips_of.setdefault(row["moment"], []).append(clip)
whole = {moment for moment, clips in clips_of.items() if len(clips) == len(made["camera"])}
set_up_of, wrong, right = {"scene": "1"}, [], 0
for name, scene in [("scene", made.get("scene", {}))] + [(s["name"], s["scene"]) for s in made.get("set_up", [])]:
    for group, clips in scene.items():
        rows, one = of(clips)
        set_up_of[name] = rows[0]["set_up"]
        good = one is not None and one["what"] == group
        right, wrong = right + good, wrong + ([] if good else [(name, group, clips)])
takes, by_card, alone = 0, 0, 0
for take in report["takes"]:
    rows, one = of(take["clips"])
    if one is None or one["what"] != "take" or set_up_of.get(take["set_up"] or "scene") != one["set_up"]:
        wrong.append((take["name"], take["clips"], take["set_up"], one))
        continue
    # a card counts where the phone it was held towards has the clip
    held = any(row["card"] == "held" for row in rows)
    if held and (take["caster"], take["phase"], take["caster_is_guess"]) != (one["caster"], one["phase"], False):
        wrong.append((take["name"], take["caster"], take["phase"], one))
        continue
    if not held and not take["caster_is_guess"] and (take["caster"], take["phase"]) != (one["caster"], one["phase"]):
        wrong.append((take["name"], "a caster that no card said", take["caster"], one))
        continue
    takes, by_card, alone = takes + 1, by_card + held, alone + (len(take["clips"]) == 1)
filmed = {row["moment"] for row in truth.values() if row["what"] == "take"}
cards = {row["moment"] for row in truth.values() if row["card"] == "held"}
taken = {truth[clip]["moment"] for take in report["takes"] for clip in take["clips"].values()}
unplaced = {u["clip"]: u["reason"] for u in report["unplaced"]}
left = {what: [c for c in unplaced if truth[c]["what"] == what] for what in sorted({row["what"] for row in truth.values()})}
both = [m for m in filmed if m in whole]
print(f"wands and plumbs right {right} of {2 * len({row['set_up'] for row in truth.values()})}")
print(f"takes right {takes}: {takes - alone} of {len(both)} that both phones filmed, {alone} of {len(filmed) - len(both)} that one did; by a card {by_card} of {len(cards & taken)}")
print(f"wrong: {wrong}")
for what in left:
    print(f"told of {len(left[what])} of {sum(row['what'] == what for row in truth.values())} clips ({what}): {sorted({unplaced[c] for c in left[what]})}")
print(f"calendars {report['calendars']}")
kept = first.startswith(written)
print(f"a person's lines kept byte for byte: {kept}; second run the same file: {same}; exit {done.returncode} {again.returncode}")
print(f"looking {look_s:.1f} s of processor, decoding every frame {decode_s:.1f} s: {look_s / decode_s:.3f}")
strays = [c for c, row in truth.items() if row["what"] == "stray"]
holds = not wrong and set(both) <= taken and set(strays) <= set(unplaced) and kept and same
holds = holds and right == 2 * len({row["set_up"] for row in truth.values()}) and look_s < 0.15 * decode_s
print("holds" if holds else "does not hold")
sys.exit(0 if holds else 1)
