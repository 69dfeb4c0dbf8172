#!/usr/bin/env python3
"""The README's queries over a data set, asked of DuckDB, PyArrow, pandas and Polars: queries.py DATASET [README]

DATASET is a folder of results folders. The SQL is taken from the README as it stands there; the other three are asked the same by their
own means, with one glob each. Exits 1 where two of them differ in a row or, beyond the last digits of a sum, in a number."""
import glob
import math
import re
import sys
from pathlib import Path

import duckdb
import pandas as pd
import polars as pl
import pyarrow.compute as pc
import pyarrow.parquet as pq

STROKES = ["caster_key", "date", "phase", "direction"]
POINTS = ["session_id", "take", "stroke"]


def of_readme(readme, dataset):
    """The queries in the README's indented blocks that read a data set."""
    text = Path(readme).read_text(encoding="utf-8")
    found = re.findall(r"^    (SELECT .*?;)$", text, re.S | re.M)
    return [q.replace("'dataset/", f"'{dataset}/") for q in found if "'dataset/" in q]


def arrow(files):
    return pq.read_table(files) if isinstance(files, str) else pq.ParquetDataset(files).read()


def by_arrow(strokes, evidence, paths):
    table = arrow(strokes)
    yield table.group_by(STROKES).aggregate([("dip_depth_m", "mean"), ([], "count_all")])
    table = arrow(evidence)
    raised = table.append_column("one", pc.cast(table["raised"], "int32"))
    yield raised.group_by(["rule"]).aggregate([("one", "mean")])
    yield arrow(paths).group_by(POINTS).aggregate([("z_m", "max")])


def by_pandas(strokes, evidence, paths):
    def read(files):
        return pd.concat([pd.read_parquet(f) for f in files])

    groups = read(strokes).groupby(STROKES, dropna=False)
    yield groups.agg(dip=("dip_depth_m", "mean"), n=("stroke", "size")).reset_index()
    yield read(evidence).groupby("rule", dropna=False)["raised"].mean().reset_index()
    yield read(paths).groupby(POINTS, dropna=False)["z_m"].max().reset_index()


def by_polars(dataset):
    # columns are added within a schema (pipelines/CHANGELOG.md)
    def read(name):
        return pl.scan_parquet(f"{dataset}/**/{name}", missing_columns="insert", extra_columns="ignore").collect()

    yield read("strokes.parquet").group_by(STROKES).agg(pl.mean("dip_depth_m"), pl.len())
    yield read("evidence.parquet").group_by("rule").agg(pl.col("raised").mean())
    yield read("takes/*/path.parquet").group_by(POINTS).agg(pl.max("z_m"))


def value(cell):
    """A cell as a plain value: null is None in all four, a whole number a whole number."""
    if cell is None or cell is pd.NA or (isinstance(cell, float) and math.isnan(cell)):
        return None
    if hasattr(cell, "item"):
        cell = cell.item()
    return cell


def rows(table, columns):
    """Rows in order; the columns that are names first, as they stand in all four."""
    return sorted((tuple(value(c) for c in row) for row in table), key=lambda r: tuple(str(k) for k in r[:columns]))


def same(one, other):
    if isinstance(one, float) and isinstance(other, (int, float)):
        return math.isclose(one, other, rel_tol=1e-12)  # the order of a sum
    return one == other


def main():
    dataset = sys.argv[1]
    readme = sys.argv[2] if len(sys.argv) > 2 else Path(__file__).parents[2] / "README.md"
    queries = of_readme(readme, dataset)
    if len(queries) != 3:
        sys.exit(f"{readme}: {len(queries)} queries over a data set, 3 are asked here")
    files = [sorted(glob.glob(f"{dataset}/**/{n}.parquet", recursive=True)) for n in ["strokes", "evidence", "takes/*/path"]]
    if not all(files):
        sys.exit(f"{dataset}: no tables")
    folders, people = duckdb.sql(f"select count(distinct filename), count(distinct caster_key) from "
                                 f"read_parquet('{dataset}/**/strokes.parquet', filename = true)").fetchall()[0]
    ids, titles = duckdb.sql(f"select count(distinct session_id), count(distinct session) from '{dataset}/**/strokes.parquet'").fetchall()[0]
    print(f"{folders} results folders of {titles} titles: {ids} sessions, {people} casters")
    if ids != folders or people < ids:
        sys.exit("FAILED: sessions or casters run together")
    names = [len(STROKES), 1, len(POINTS)]
    frames = {
        "DuckDB": [duckdb.sql(q).fetchall() for q in queries],
        "PyArrow": [list(zip(*t.to_pydict().values())) for t in by_arrow(*files)],
        "pandas": [list(t.itertuples(index=False, name=None)) for t in by_pandas(*files)],
        "Polars": [t.rows() for t in by_polars(dataset)],
    }
    failed = 0
    for k, query in enumerate(queries):
        first = rows(frames["DuckDB"][k], names[k])
        for engine, found in frames.items():
            own = rows(found[k], names[k])
            equal = len(own) == len(first) and all(len(a) == len(b) and all(map(same, a, b)) for a, b in zip(first, own))
            if not equal:
                failed += 1
                print(f"FAILED: {engine} differs from DuckDB in: {query}")
        print(f"{' '.join(query.split())[:80]}...: {len(first)} rows, {sum(map(len, first))} cells the same in {', '.join(frames)}")
    sys.exit(1 if failed else 0)


main()
