#!/usr/bin/env python3
"""What the stamps of a file cost: a simulated day written again with other kinds of stamps, measured and scored against its truth.

    tests/studies/stamps.py SESSION WORK [PROGRAM] [KIND...]

SESSION is a day of `tipwright simulate` with its folder truth. Kinds, of the clips of the set-up and of the takes alike:
  true      the clips as they are
  600       a time base of 1/600 s: stamps rounded to 1.67 ms
  jitter    stamps that wander about the exposures: normal, sd 0.08 ms, cut at 0.44 ms (a phone's slow motion, as measured)
  again     the clips encoded anew with their own stamps: what the next three are held against
  dropped   a time base of 1/1000 s, and one frame in 60 is not there, at random
  half      every second frame is left out throughout: 60 frames a second
  rate      every second frame is left out from the middle of the clip on: 120 frames a second become 60
Prints for each kind the tip's error in the takes, its ratio to that of `true` (of `again` for the last three), and the share of figures
inside their stated 95 %. Needs the commands ffmpeg and ffprobe.
"""
import concurrent.futures, json, pathlib, random, shutil, subprocess, sys, tomllib

session, work = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
program = sys.argv[3] if len(sys.argv) > 3 else "target/release/tipwright"
KINDS = ["true", "600", "jitter", "again", "dropped", "half", "rate"]
kinds = sys.argv[4:] or KINDS
written = tomllib.loads((session / "session.toml").read_text())
clips = [clip for group in written["scene"].values() for clip in group.values()]
clips += [clip for take in written["take"] for clip in take["clips"].values()]
QUIET = ["ffmpeg", "-v", "error", "-y", "-threads", "1", "-noautorotate"]


def probed(clip):
    entries = "stream=nb_frames:stream_side_data=rotation"
    told = subprocess.run(["ffprobe", "-v", "error", "-select_streams", "v", "-show_entries", entries, "-of", "json", clip],
                          capture_output=True, text=True, check=True).stdout
    stream = json.loads(told)["streams"][0]
    turn = [side["rotation"] for side in stream.get("side_data_list", []) if "rotation" in side]
    return int(stream["nb_frames"]), -turn[0] if turn else 0


def restamped(kind, source, target):
    frames, turn = probed(source)
    copied = ["-map", "0", "-c", "copy"]
    if kind == "600":
        how = [*copied, "-video_track_timescale", "600"]
    elif kind == "jitter":
        # Box and Muller; half a millisecond later throughout, so that none is shown before it is decoded
        normal = "sqrt(-2*log(1-random(0)))*cos(2*PI*random(1))"
        jitter = f"floor(0.5+clip(0.00008*{normal},-0.00044,0.00044)/TB+0.0005/TB)"
        jitter = jitter.replace(",", "\\,")
        how = [*copied, "-bsf:v", f"setts=pts=PTS+{jitter}:dts=DTS", "-video_track_timescale", "90000"]
    else:
        rng = random.Random(f"{kind} {source}")
        keep = "1"
        if kind == "dropped":
            gone = "+".join(f"eq(n\\,{n})" for n in range(1, frames) if rng.random() < 1 / 60)
            keep = f"not({gone or 0})"
        if kind == "rate":
            keep = f"lt(n\\,{frames // 2})+not(mod(n\\,2))"
        if kind == "half":
            keep = "not(mod(n\\,2))"
        base = ["-video_track_timescale", "1000"] if kind == "dropped" else []
        how = ["-map", "0", "-c:a", "copy", "-vf", f"select={keep}", "-fps_mode", "passthrough", "-enc_time_base", "1:90000",
               "-c:v", "libx264", "-preset", "veryfast", "-bf", "0", "-crf", "14", "-metadata:s:v:0", f"rotate={turn}", *base]
    subprocess.run([*QUIET, "-i", source, *how, target], check=True)


def measured(kind):
    day, results, score = (work / f"{kind}{what}" for what in ("", "-results", "-score"))
    for folder in (day, results, score):
        shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(session, day, ignore=shutil.ignore_patterns("truth"))
    if kind != "true":
        with concurrent.futures.ThreadPoolExecutor(2) as pool:
            list(pool.map(lambda clip: restamped(kind, session / clip, day / clip), clips))
    run = subprocess.run([program, "-q", "day", day, "-o", results], capture_output=True, text=True)
    if run.returncode not in (0, 3):
        return None, run.stderr.strip()
    subprocess.run([program, "-q", "score", results, session / "truth", "-o", score], check=True, capture_output=True)
    return json.loads((score / "score.json").read_text()), run.stderr.strip()


if __name__ == "__main__":
    tips = {}
    for kind in kinds:
        score, said = measured(kind)
        if score is None:
            print(f"{kind:8} refused: {said}", flush=True)
            continue
        tips[kind] = score["path_rmse_mm"]
        held = tips.get("again" if kind in ("dropped", "half", "rate") else "true")
        ratio = f"{tips[kind] / held:5.2f} times" if held else "    -     "
        dip = next((f for f in score["figures"] if f["key"] == "dip_m"), {})
        strokes = score["strokes"]
        print(f"{kind:8} tip {tips[kind]:6.3f} mm {ratio}  inside {100 * score['inside_share']:5.1f} %  "
              f"dip {1000 * dip.get('rmse', float('nan')):6.3f} mm  strokes {strokes['found']} of {strokes['there']}", flush=True)
