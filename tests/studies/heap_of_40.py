#!/usr/bin/env python3
"""The heap of a whole day out of one small take: 40 takes in 3 set-ups, clocks 7 minutes apart, the second phone without sound.

    tests/studies/heap_of_40.py SESSION WORK [PROGRAM]

SESSION is `tipwright simulate --days minimal`. Its wand, plumb and take stand for all of the day: copied under random names with stamps of
the day's own moments (takes at uneven intervals, the second phone's clock ahead by 420 s), a printed card drawn into the first seconds of half of
the takes on one phone, 5 takes missing on the second phone, 3 stray clips. Gathers twice and prints pairs, casters, phases, set-ups, what
was told, and processor time against decoding every frame once. Needs ffmpeg, ffprobe and pdftoppm. What the same footage cannot show: that
pictures tell takes apart; only stamps and cards do here.
"""
import json, pathlib, random, re, resource, shutil, subprocess, sys, tomllib
from datetime import datetime, timedelta, timezone

session, work = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
program = sys.argv[3] if len(sys.argv) > 3 else "target/release/tipwright"
heap = work / "heap"
shutil.rmtree(heap, ignore_errors=True)
truth = tomllib.loads((session / "session.toml").read_text())
cameras = [c["name"] for c in truth["camera"]]
rng = random.Random(40)
TAKES, SET_UPS, MISSING, AHEAD_S = 40, 3, 5, 420


def run(arguments):
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run([str(a) for a in arguments], capture_output=True, text=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return done, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def must(arguments):
    done, _ = run(arguments)
    if done.returncode:
        sys.exit(done.stderr)
    return done


def offset_s(room):
    clocks = tomllib.loads((session / "truth" / room / "clocks.toml").read_text())
    return {c["name"]: c["offset_s"] for c in clocks["camera"]}


for camera in truth["camera"]:
    (heap / camera["name"]).mkdir(parents=True)
    shutil.copy(session / camera["lens"], heap / camera["lens"])
casters = [(f"{i:02}", alias) for i, alias in enumerate(["Heron", "Otter", "Wagtail", "Dipper", "Teal"], 1)]
(heap / "casters.csv").write_text("id,alias,hand,rod_length_m,note\n" + "".join(f"{i},{a},,,\n" for i, a in casters))
pages = json.loads(must([program, "-q", "--json", "cards", heap / "casters.csv", "-o", work / "cards.pdf"]).stdout)["pages"]
must(["pdftoppm", "-r", "100", "-png", work / "cards.pdf", work / "card"])
page_of = {(p["big"], p["small"]): work / f"card-{i:02}.png" for i, p in enumerate(pages, 1)}

begin = datetime(2026, 6, 13, 8, 0, tzinfo=timezone.utc)
what_of, decode_s, at_s, takes = {}, 0.0, 0.0, []
scene = truth["scene"]


def film(key, room, clips, at_s, card=None, card_on=None, without=()):
    global decode_s
    offsets = offset_s(room)
    for k, camera in enumerate(cameras):
        if camera in without:
            continue
        source = session / clips[camera]
        target = heap / camera / f"{rng.choice(['IMG', 'VID', 'PXL'])}_{rng.randrange(10**6):06}{source.suffix}"
        stamp = begin + timedelta(seconds=int(at_s + offsets[camera] + AHEAD_S * k + rng.random()))
        tags = ["-metadata", f"creation_time={stamp.isoformat()}"] + (["-an"] if k else [])
        picture = ["-map", "0", "-c", "copy"]
        if card and camera == card_on:
            drawn = "[1:v]scale=40:-1:flags=area[c];[0:v][c]overlay=x=430:y=330:enable='between(t,0.3,3.4)',format=yuv420p[v]"
            picture = ["-i", card, "-filter_complex", drawn, "-map", "[v]", "-map", "0:a?", "-c:v", "libx264", "-crf", "18", "-g", "120",
                       "-preset", "veryfast", "-c:a", "copy"]
        must(["ffmpeg", "-v", "error", "-y", "-i", source, *picture, *tags, target])
        what_of[f"{camera}/{target.name}"] = key
        decode_s += run(["ffmpeg", "-v", "error", "-threads", "1", "-i", target, "-map", "0:v", "-f", "null", "-"])[1]


missing = set(rng.sample(range(TAKES), MISSING))
for set_up in range(SET_UPS):
    for group in ["wand", "plumb"]:
        film((group, set_up), f"scene/{group}", scene[group], at_s)
        at_s += rng.uniform(60, 120)
    for number in range(set_up * TAKES // SET_UPS, (set_up + 1) * TAKES // SET_UPS):
        caster = casters[number % len(casters)]
        phase = "before" if number < TAKES // 2 else "after"
        card = page_of[(caster[1], phase)] if number % 2 == 0 else None
        film(("take", number), f"takes/{truth['take'][0]['name']}", truth["take"][0]["clips"], at_s, card, cameras[number // 2 % 2],
             cameras[1:] if number in missing else ())
        # on the phone that is missing no card is seen
        seen = card is not None and not (number in missing and number // 2 % 2 == 1)
        takes.append((caster[0], phase, seen, set_up))
        at_s += rng.uniform(70, 200)
    at_s += 1800
strays = []
for camera, seconds in [(cameras[0], 1234), (cameras[0], 4321), (cameras[1], 7000)]:
    stray = heap / camera / f"IMG_9{seconds:05}.mp4"
    must(["ffmpeg", "-v", "error", "-y", "-f", "lavfi", "-i", "testsrc2=size=960x540:rate=120:duration=4", "-g", "120", "-preset", "ultrafast",
          "-metadata", f"creation_time={(begin + timedelta(seconds=seconds)).isoformat()}", stray])
    strays.append(f"{camera}/{stray.name}")

text = re.sub(r"(?ms)^\[scene\..*", "", (session / "session.toml").read_text())
(heap / "session.toml").write_text("# a person's note\n" + text + "# and a last one\n")
done, look_s = run([program, "-q", "--json", "gather", heap])
first = (heap / "session.toml").read_text()
run([program, "-q", "--json", "gather", heap])
again = (heap / "session.toml").read_text() == first
report, made = json.loads(done.stdout), tomllib.loads(first)
print(done.stderr[-1500:])
names = {"scene": 0} | {f"set-up-{i + 1}": i for i in range(1, SET_UPS)}
wrong, right, by_card = [], 0, 0
for group in ["wand", "plumb"]:
    filmed = [(None, made.get("scene", {}))] + [(s["name"], s["scene"]) for s in made.get("set_up", [])]
    for name, clips in filmed:
        of = {what_of.get(c) for c in clips.get(group, {}).values()}
        good = of == {(group, names.get(name or "scene"))}
        right, wrong = right + good, wrong + ([] if good else [(group, name, of)])
for take in report["takes"]:
    of = {what_of.get(c) for c in take["clips"].values()}
    number = next(iter(of))[1] if len(of) == 1 and None not in of and next(iter(of))[0] == "take" else None
    if number is None:
        wrong.append((take["name"], of))
        continue
    caster, phase, seen, set_up = takes[number]
    good = names[take["set_up"] or "scene"] == set_up and take["caster_is_guess"] != seen
    good = good and (not seen or (take["caster"], take["phase"]) == (caster, phase))
    right, by_card = right + good, by_card + (good and seen)
    wrong += [] if good else [(take["name"], number, take["caster"], take["phase"], take["set_up"], takes[number])]
unplaced = {u["clip"] for u in report["unplaced"]}
lone = {c for c, key in what_of.items() if key[0] == "take" and key[1] in missing}
taken = {what_of.get(c) for t in report["takes"] for c in t["clips"].values()}
can_be = 2 * SET_UPS + TAKES - len([n for n in missing if ("take", n) not in taken])
print(f"entries right {right} of {can_be}, by a card {by_card}; wrong: {wrong}")
print(f"strays told {len(unplaced & set(strays))} of {len(strays)}; alone told {len(unplaced & lone)} of {len(lone)}; else {unplaced - lone - set(strays)}")
print(f"calendars {report['calendars']}; second run the same file: {again}")
print(f"looking {look_s:.1f} s of processor, decoding every frame {decode_s:.1f} s: {look_s / decode_s:.3f}")
holds = not wrong and right == can_be and again and set(strays) <= unplaced and not unplaced - lone - set(strays)
sys.exit(0 if holds and look_s < 0.15 * decode_s else 1)
