"""What pyarrow and duckdb find in an exported folder, as one JSON object. Argument: the folder."""

import glob
import json
import sys

import duckdb
import pyarrow as pa
import pyarrow.dataset as ds
import pyarrow.parquet as pq

FOLDER = sys.argv[1]
READINGS = f"{FOLDER}/readings"
FINDINGS = f"{FOLDER}/findings"


def by_pyarrow():
    dataset = ds.dataset(READINGS, partitioning="hive")
    table = dataset.to_table()
    types = {field.name: str(field.type) for field in dataset.schema}
    groups = {}
    for label in sorted(set(table["capture_sha256"].to_pylist())):
        part = table.filter(pa.compute.equal(table["capture_sha256"], label))
        groups[label] = {
            "rows": part.num_rows,
            "counted": pa.compute.sum(part["counted"]).as_py(),
            "channels": sorted(set(part["channel"].to_pylist())),
            "null_t_us": part["t_us"].null_count,
            "null_p_pa": part["p_pa"].null_count,
            "null_count": part["count"].null_count,
            "sum_p_pa": pa.compute.sum(part["p_pa"]).as_py(),
            "min_p_pa": pa.compute.min(part["p_pa"]).as_py(),
            "max_p_pa": pa.compute.max(part["p_pa"]).as_py(),
            "sum_f_n": pa.compute.sum(part["f_n"]).as_py(),
            "sum_count": pa.compute.sum(part["count"]).as_py(),
            "max_t_us": pa.compute.max(part["t_us"]).as_py(),
            "first_received": min(part["received"].to_pylist()).isoformat() if part.num_rows else None,
            "fates": {fate: part["fate"].to_pylist().count(fate) for fate in sorted(set(part["fate"].to_pylist()))},
            "day": sorted({str(day) for day in part["day"].to_pylist()}),
            "test": sorted(set(part["test"].to_pylist())),
        }
    findings = ds.dataset(FINDINGS, partitioning="hive").to_table().to_pylist()
    for row in findings:
        row["started"] = row["started"].isoformat() if row["started"] else None
        row["day"] = str(row["day"])
    facts = {}
    for file in dataset.files:
        about = pq.ParquetFile(file)
        metadata = {k.decode(): v.decode() for k, v in about.metadata.metadata.items()}
        facts[file.removeprefix(FOLDER + "/")] = {
            "metadata": metadata,
            "groups": [about.metadata.row_group(n).num_rows for n in range(about.metadata.num_row_groups)],
            "logical": {c.name: str(c.logical_type) for c in about.schema},
        }
    return {"types": types, "readings": groups, "findings": findings, "files": facts}


def by_duckdb():
    db = duckdb.connect()
    db.execute("SET TimeZone = 'UTC'")
    source = f"read_parquet('{READINGS}/**/*.parquet', hive_partitioning = true)"
    columns = {name: kind for name, kind, *_ in db.execute(f"DESCRIBE SELECT * FROM {source}").fetchall()}
    rows = db.execute(
        f"""SELECT capture_sha256, count(*), count(*) FILTER (counted), sum(p_pa), min(p_pa), max(p_pa), sum(f_n), sum(count),
            max(t_us), count(*) - count(t_us), min(epoch_us(received))
            FROM {source} GROUP BY capture_sha256 ORDER BY capture_sha256"""
    ).fetchall()
    names = ["rows", "counted", "sum_p_pa", "min_p_pa", "max_p_pa", "sum_f_n", "sum_count", "max_t_us", "null_t_us", "first_us"]
    groups = {row[0]: dict(zip(names, [int(x) if n in ("sum_count", "rows", "counted") and x is not None else x for n, x in zip(names, row[1:])])) for row in rows}
    days = db.execute(f"SELECT DISTINCT day, test FROM {source} ORDER BY ALL").fetchall()
    asked = db.execute(
        f"SELECT count(*), min(p_pa) FROM {source} WHERE day = DATE '2031-05-17' AND test = 'leak' AND counted"
    ).fetchone()
    none = db.execute(f"SELECT count(*) FROM {source} WHERE day = DATE '2031-05-18'").fetchone()
    joined = db.execute(
        f"""SELECT r.capture, any_value(f.verdict), count(*) FROM {source} r
            JOIN read_parquet('{FINDINGS}/**/*.parquet', hive_partitioning = true) f USING (capture_sha256)
            WHERE f.kind = 'finding' AND r.counted GROUP BY r.capture ORDER BY r.capture"""
    ).fetchall()
    not_numbers = db.execute(
        f"SELECT count(*) FROM {source} WHERE isnan(p_pa) OR isnan(f_n) OR isnan(t_c) OR isnan(printed)"
    ).fetchone()[0]
    lines = db.execute(f"SELECT count(*) FROM read_json_auto('{FOLDER}/findings.jsonl')").fetchone()[0]
    csv = (0, None, None)
    if glob.glob(f"{FOLDER}/csv/*/leak.csv"):
        csv = db.execute(
            f"SELECT count(*), sum(p_pa), sum(count) FROM read_csv('{FOLDER}/csv/*/leak.csv', union_by_name = true)"
        ).fetchone()
    return {
        "types": columns,
        "readings": groups,
        "days": [[str(day), test] for day, test in days],
        "asked": asked,
        "none": none[0],
        "joined": joined,
        "not_numbers": not_numbers,
        "json_lines": lines,
        "leak_csv": [csv[0], csv[1], None if csv[2] is None else int(csv[2])],
    }


print(json.dumps({"pyarrow": by_pyarrow(), "duckdb": by_duckdb()}))
