#!/usr/bin/env python3
"""Reads the tables of a results folder back with other people's readers: PyArrow, DuckDB and Python's csv and json.

    tables_pyarrow.py RESULTS [MORE RESULTS...]

Checks that all four agree on every number, that every column carries its unit and definition, that what cannot be had
is empty and never zero, and that one query spans the paths of all takes of all folders. Exits 1 at the first failure.
"""
import csv
import glob
import json
import math
import os
import shutil
import sys
import tempfile

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

KEYS = ["session", "session_id", "date", "take", "caster", "caster_key", "caster_class", "phase", "stroke"]
TEXT = {*KEYS[:-1], "direction", "kind", "rsp_source", "loop_shape", "slap"}
COUNTS = {"stroke", "views"}
PROBABILITIES = {"direction_p", "kind_p"}
IDENTITY = ["session", "take", "caster", "phase", "stroke", "direction"]
FACTS = ["program", "schema", "units", "frames", "definitions", "columns", "table"]
# The order of the contract; columns the program adds may stand between them.
CONTRACT = IDENTITY + """t_start_s t_rsp_s t_stop_s duration_s rsp_source chord_m chord_angle_deg travel_m dip_depth_m dip_at
dome_height_m slp_rms_m straightness off_plane_max_m peak_speed_m_s peak_lead_ms late_power stop_ms arc_deg max_bend_m
bend_lead_ms counterflex_m creep_m drift_m loop_width_m loop_speed_m_s loop_shape pause_s opposite_deg""".split()
UNIT_OF_SUFFIX = {"_m_s": "m/s", "_m": "m", "_s": "s", "_ms": "ms", "_deg": "deg", "_hz": "Hz", "_db": "dB"}


def must(holds, what):
    if not holds:
        print(f"FAILED: {what}")
        sys.exit(1)


def unit_by_name(name):
    name = name.removesuffix("_sd")
    for suffix in sorted(UNIT_OF_SUFFIX, key=len, reverse=True):
        if name.endswith(suffix):
            return UNIT_OF_SUFFIX[suffix]
    return ""


def check_facts(path):
    """What a file says of itself, and that its rows say the same."""
    facts = {k.decode().removeprefix("tipwright."): v.decode() for k, v in pq.read_metadata(path).metadata.items()}
    for key in FACTS:
        must(facts.get(key), f"{path}: says nothing of {key}")
    must(facts["schema"] == "2", f"{path}: schema {facts['schema']}")
    table = pq.read_table(path, columns=["session_id", "date", "session"])
    for key in ["session_id", "date", "session"]:
        must(set(table[key].to_pylist()) <= {facts.get(key)}, f"{path}: {key} of rows and file differ")
    return facts


def check_strokes(folder):
    table = pq.read_table(os.path.join(folder, "strokes.parquet"))
    names = table.column_names
    with open(os.path.join(folder, "strokes.csv"), newline="", encoding="utf-8") as file:
        reader = csv.DictReader(file)
        must(reader.fieldnames == names, f"{folder}: csv and parquet differ in their columns")
        rows = list(reader)
    at = -1
    for name in CONTRACT:
        must(name in names, f"{folder}: no column {name}")
        must(names.index(name) > at, f"{folder}: column {name} stands out of order")
        at = names.index(name)
    for name in names:
        field = table.schema.field(name)
        meta = {k.decode(): v.decode() for k, v in (field.metadata or {}).items()}
        must(meta.get("definition"), f"{folder}: column {name} has no definition")
        must(meta.get("unit", "?") == unit_by_name(name), f"{folder}: unit of {name} is {meta.get('unit')!r}")
        if name in TEXT:
            must(pa.types.is_string(field.type), f"{folder}: {name} is {field.type}")
        elif name in COUNTS:
            must(pa.types.is_integer(field.type), f"{folder}: {name} is {field.type}")
        else:
            must(pa.types.is_float64(field.type), f"{folder}: {name} is {field.type}")
            if name in PROBABILITIES:
                continue
            other = name.removesuffix("_sd") if name.endswith("_sd") else f"{name}_sd"
            must(other in names, f"{folder}: {name} has no {other}")
    must(table.num_rows == len(rows), f"{folder}: {table.num_rows} rows of parquet, {len(rows)} of csv")

    by_json = []
    for path in sorted(glob.glob(os.path.join(folder, "takes", "*", "strokes.json"))):
        with open(path, encoding="utf-8") as file:
            content = json.load(file)
        must(content["schema"] == 2, f"{path}: schema {content['schema']}")
        by_json += content["strokes"]
    key = lambda row: (row["take"], int(row["stroke"]))
    json_rows = {key(row): row for row in by_json}
    must(len(json_rows) == len(rows), f"{folder}: {len(json_rows)} strokes in strokes.json, {len(rows)} in csv")

    path = os.path.join(folder, "strokes.parquet")
    duck = duckdb.sql(f"select * from read_parquet('{path}')").fetchall()
    numbers = empties = 0
    for k, row in enumerate(rows):
        for c, name in enumerate(names):
            arrow_value, duck_value, text = table[name][k].as_py(), duck[k][c], row[name]
            must(arrow_value == duck_value, f"{folder}: {name} row {k}: PyArrow {arrow_value}, DuckDB {duck_value}")
            json_value = json_rows[key(row)][name]
            must(json_value == arrow_value, f"{folder}: {name} row {k}: json {json_value}, parquet {arrow_value}")
            if arrow_value is None:
                must(text == "", f"{folder}: {name} row {k}: parquet null, csv {text!r}")
                empties += 1
            elif name in TEXT:
                # A text that a spreadsheet could take for a formula has one apostrophe before it.
                must(text.removeprefix("'") == arrow_value.removeprefix("'"), f"{folder}: {name} row {k}: {text!r} and {arrow_value!r}")
                must(not text.startswith(("=", "+", "-", "@")), f"{folder}: {name} row {k} starts a formula: {text!r}")
            else:
                must(float(text) == arrow_value, f"{folder}: {name} row {k}: csv {text}, parquet {arrow_value!r}")
                must(math.isfinite(arrow_value), f"{folder}: {name} row {k} is {arrow_value}")
                numbers += 1
            if name.endswith("_sd") and arrow_value is not None:
                must(arrow_value >= 0, f"{folder}: {name} row {k} is negative")
    facts = check_facts(path)
    must(set(json.loads(facts["columns"])) == set(names), f"{folder}: the file's own list of columns differs")
    return len(rows), numbers, empties


def check_paths(folders):
    files = [p for f in folders for p in glob.glob(os.path.join(f, "takes", "*", "path.parquet"))]
    must(files, "no path.parquet anywhere")
    total = duckdb.sql(
        f"select session, take, count(*), max(sqrt(vx_m_s**2 + vy_m_s**2 + vz_m_s**2)) from read_parquet({files!r}) group by all"
    ).fetchall()
    by_arrow = sum(pq.read_metadata(p).num_rows for p in files)
    must(sum(row[2] for row in total) == by_arrow, "DuckDB and PyArrow count different rows of paths")
    for path in files:
        schema = pq.read_schema(path)
        for field in schema:
            meta = field.metadata or {}
            must(b"definition" in meta and meta[b"unit"].decode() == unit_by_name(field.name), f"{path}: {field.name}")
        check_facts(path)
        table = pq.read_table(path)
        must(table.column_names[: len(KEYS)] == KEYS, f"{path}: keys {table.column_names[: len(KEYS)]}")
        # Every row of a stroke lies between that stroke's own start and stop, and there is one for every stroke.
        own = os.path.join(os.path.dirname(path), "strokes.json")
        with open(own, encoding="utf-8") as file:
            spans = {r["stroke"]: (r["t_start_s"], r["t_stop_s"] or r["t_rsp_s"]) for r in json.load(file)["strokes"]}
        for t_s, stroke in zip(table["t_s"].to_pylist(), table["stroke"].to_pylist()):
            inside = [k for k, (a, b) in spans.items() if a is not None and b is not None and a <= t_s <= b]
            must(stroke in inside if stroke is not None else not inside, f"{path}: {t_s} s belongs to {stroke}, not {inside}")
        for beside in glob.glob(os.path.join(os.path.dirname(path), "[rlsd]*.parquet")):
            check_facts(beside)
            must(pq.read_schema(beside).names[: len(KEYS)] == KEYS, f"{beside}: keys")
        check_spots(os.path.dirname(path))
        check_draws(os.path.dirname(path), path)
        times = table["t_s"].to_pylist()
        must(all(a < b for a, b in zip(times, times[1:])), f"{path}: times do not rise")
        beside = os.path.join(os.path.dirname(path), "path.csv")
        if os.path.exists(beside):
            (count,) = duckdb.sql(f"select count(*) from read_csv('{beside}')").fetchall()[0]
            must(count == len(times), f"{beside}: {count} rows, {len(times)} in parquet")
    return len(files), by_arrow


def check_spots(take):
    """Spots of a measured take: the CSV files of its cameras with keys, nothing more."""
    path = os.path.join(take, "spots.parquet")
    if not os.path.exists(path):
        return
    columns = ["frame", "pts_s", "x_px", "y_px", "sigma_px", "role"]
    for camera, *rows in duckdb.sql(f"select camera, list(({', '.join(columns)})) from '{path}' group by camera").fetchall():
        with open(os.path.join(take, f"spots_{camera}.csv"), newline="", encoding="utf-8") as file:
            by_csv = [(int(r["frame"]), *(float(r[c]) for c in columns[1:-1]), r["role"]) for r in csv.DictReader(file)]
        by_parquet = [tuple(r.values()) if isinstance(r, dict) else tuple(r) for r in rows[0]]
        must(sorted(by_csv) == sorted(by_parquet), f"{path}: spots of camera {camera} differ from the csv file's")


def check_draws(take, points):
    """The path's standard deviations are those of its draws, root mean square about the path: the draws' own about their mean are less
    by what the mean lies off, at most 4 of its standard deviations, 8 % of the variance of 200 draws (files keep six digits)."""
    path = os.path.join(take, "draws.parquet")
    if not os.path.exists(path):
        return
    draws, instants, rows = duckdb.sql(f"select count(distinct draw), count(distinct t_s), count(*) from '{path}'").fetchall()[0]
    must(rows == draws * instants, f"{path}: {rows} rows of {draws} draws at {instants} instants")
    for axis in "xyz":
        low, high, off = duckdb.sql(
            f"with d as (select t_s, avg({axis}_m) m, stddev({axis}_m) sd from '{path}' group by t_s) "
            f"select min(sd / s{axis}_m), max(sd / s{axis}_m), max(abs(m - {axis}_m) / s{axis}_m) from d join '{points}' using (t_s)"
        ).fetchall()[0]
        must(0.955 < low and high < 1.005, f"{path}: {axis} scatters by {low:.2f} to {high:.2f} of the path's own sd")
        must(off < 4 / math.sqrt(draws), f"{path}: the mean of {axis} lies {off:.2f} sd from the path")


def check_evidence(folder):
    path = os.path.join(folder, "evidence.parquet")
    table = pq.read_table(path)
    for field in table.schema:
        must(b"definition" in (field.metadata or {}), f"{path}: {field.name} has no definition")
    with open(os.path.join(folder, "evidence.csv"), newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    duck = duckdb.sql(f"select * from read_parquet('{path}')").fetchall()
    must(len(rows) == table.num_rows == len(duck), f"{folder}: rows of evidence differ")
    for k, row in enumerate(rows):
        for c, name in enumerate(table.column_names):
            value = table[name][k].as_py()
            must(value == duck[k][c], f"{path}: {name} row {k}: PyArrow {value}, DuckDB {duck[k][c]}")
            if isinstance(value, float):
                must(float(row[name]) == value and 0 <= value <= 1, f"{path}: {name} row {k}: {row[name]} {value}")
            elif value is None or isinstance(value, bool):
                text = {None: "", True: "true", False: "false"}[value]
                must(row[name] == text, f"{path}: {name} row {k}: {row[name]} {value}")
            else:
                must(row[name] == str(value), f"{path}: {name} row {k}: {row[name]} {value}")
    # Every row belongs to a stroke of the strokes' table.
    orphans = duckdb.sql(
        f"select count(*) from read_parquet('{path}') e anti join read_parquet('{os.path.join(folder, 'strokes.parquet')}') s "
        "using (session, take, stroke, direction)"
    ).fetchall()[0][0]
    must(orphans == 0, f"{path}: {orphans} rows of strokes that are not there")
    return len(rows)


def check_dataset(folders):
    """A dataset is a folder that holds results folders: one query with ** spans them all, at any depth."""
    with tempfile.TemporaryDirectory() as dataset:
        for k, folder in enumerate(folders):
            target = os.path.join(dataset, f"year-{k % 2}", f"results-{k}")
            for path in glob.glob(os.path.join(folder, "**", "*.parquet"), recursive=True):
                inside = os.path.join(target, os.path.relpath(path, folder))
                os.makedirs(os.path.dirname(inside), exist_ok=True)
                shutil.copy(path, inside)
        rows = duckdb.sql(
            f"select session, caster, direction, count(*), avg(dip_depth_m), filename from "
            f"read_parquet('{dataset}/**/strokes.parquet', filename = true) group by all"
        ).fetchall()
        strokes = sum(pq.read_metadata(os.path.join(f, "strokes.parquet")).num_rows for f in folders)
        must(sum(r[3] for r in rows) == strokes, f"one query sees {sum(r[3] for r in rows)} of {strokes} strokes")
        must(len({r[5] for r in rows}) == len(folders), "one query does not see every results folder")
        (points,) = duckdb.sql(f"select count(*) from '{dataset}/**/path.parquet'").fetchall()[0]
        raised = duckdb.sql(
            f"select rule, avg(raised::int) from '{dataset}/**/evidence.parquet' group by rule order by rule"
        ).fetchall()
        return strokes, points, len(raised)


def main():
    folders = sys.argv[1:]
    must(folders, "name a results folder")
    for folder in folders:
        rows, numbers, empties = check_strokes(folder)
        print(f"{folder}: {rows} strokes, {numbers} numbers the same in csv, json, PyArrow and DuckDB, {empties} empty")
        print(f"{folder}: {check_evidence(folder)} rows of evidence the same in csv, PyArrow and DuckDB")
    files, rows = check_paths(folders)
    print(f"paths: {files} files, {rows} rows in one query")
    strokes, points, rules = check_dataset(folders)
    print(f"dataset: {strokes} strokes, {points} path points, {rules} rules over {len(folders)} results folders, one query each")


main()
