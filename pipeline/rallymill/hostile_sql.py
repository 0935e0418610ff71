"""Questions in SQL that try to write, to read what is not theirs, or to trip what prints them."""

from __future__ import annotations

import random
from collections.abc import Sequence
from pathlib import Path

from rallymill.hostile_mutations import WORDS, spoiled_text

ARGUMENTS: Sequence[str] = (
    "MAR", "'; DROP TABLE shots; --", "' OR 1=1 --", "5", "-5", "1e999", "nan", "inf", "",
    "2026-08-14",
    "2026-02-30", "99999-01-01", "\x1b[2J", "💥", "\u202e", "$player", "?", "%", "x" * 10_000,
    "9" * 400,
    "recovery", "1e308", "-0.0", "0x10", "null", "near",
)  # fmt: skip
READING: Sequence[str] = (
    "SELECT * FROM shots LIMIT 5",
    "SELECT count(*) FROM points",
    "SELECT player, avg(speed_mps) AS mps FROM shots GROUP BY ALL ORDER BY 1",
    "SELECT * FROM flags JOIN shots USING (match_id, shot_id) LIMIT 3",
    "WITH a AS (SELECT max(t_s) AS t FROM events) SELECT t, t / 0, t::VARCHAR FROM a",
    "SELECT unnest(evidence) FROM flags LIMIT 4",
    "SELECT 'inf'::DOUBLE, 'nan'::DOUBLE, NULL, TRUE, DATE '2026-08-14', INTERVAL 1 DAY",
    "SELECT [1, NULL], {'a': 1, 'b': [2]}, MAP {'k': 'v'}, '\\xFF'::BLOB, 1::HUGEINT, uuid()",
    "SELECT TIMESTAMP '294247-01-10 04:00:54', DATE '5877642-06-25', TIME '24:00:00', '1:0'::BIT",
    "SELECT 170141183460469231731687303715884105727::HUGEINT AS h, 1.5::DECIMAL(38, 10) AS d",
    "SELECT TIMESTAMPTZ '2026-08-14 10:00:00+02', TIMESTAMP_NS '2026-08-14 10:00:00.000000001'",
    "SELECT 'a' AS x, 'b' AS x, 1 AS \"\", 2 AS \"a\nb\"",
    "SELECT chr(0), chr(27) || '[2J', chr(8238), repeat('x', 100000)",
    "SELECT * FROM range(1000)", "SELECT 1 WHERE FALSE", "EXPLAIN SELECT 1", "VALUES (1), (2)",
    "FROM shots SELECT stroke", "DESCRIBE shots", "SHOW TABLES", "SUMMARIZE shots", "TABLE points",
    "SELECT * FROM duckdb_settings() LIMIT 2", "SELECT current_setting('memory_limit')",
    "SELECT $nobody", "SELECT ?", "SELECT '", "", ";", "--", "/* */", "SELECT", "not sql at all",
    "SELECT try_cast('x' AS ENUM('a', 'b')), union_value(k := 1)",
    "SELECT (SELECT match_id FROM matches), sum(DISTINCT 1) OVER () FROM points",
    "SELECT error('no')", "SELECT 1; SELECT 2", "PIVOT shots ON stroke USING count(*)",
)  # fmt: skip
WRITING: Sequence[str] = (
    "COPY shots TO '{place}'", "COPY (SELECT 1) TO '{place}' (FORMAT parquet)",
    "COPY shots FROM '{place}'", "EXPORT DATABASE '{place}'", "IMPORT DATABASE '{place}'",
    "ATTACH '{place}' AS other", "ATTACH ':memory:' AS other", "DETACH memory", "USE memory",
    "CREATE TABLE mine AS SELECT 1", "CREATE TEMP TABLE mine (a INT)", "CREATE VIEW v AS SELECT 1",
    "CREATE OR REPLACE MACRO m() AS 1", "CREATE SECRET (TYPE s3)", "CREATE SEQUENCE s",
    "CREATE SCHEMA s", "CREATE TYPE t AS ENUM ('a')", "CREATE INDEX i ON shots (shot_id)",
    "INSERT INTO shots SELECT * FROM shots", "UPDATE shots SET stroke = 'lob'", "DELETE FROM shots",
    "MERGE INTO shots USING points ON TRUE WHEN MATCHED THEN DELETE", "TRUNCATE shots",
    "DROP TABLE shots", "DROP VIEW shots", "ALTER TABLE shots DROP COLUMN stroke", "VACUUM",
    "CHECKPOINT", "FORCE CHECKPOINT", "BEGIN", "COMMIT", "ANALYZE", "LOAD httpfs", "INSTALL httpfs",
    "SET temp_directory = '{place}'", "SET enable_external_access = true", "RESET ALL",
    "SET memory_limit = '100GB'", "PRAGMA database_list", "PRAGMA enable_profiling",
    "PRAGMA profiling_output = '{place}'", "SET log_query_path = '{place}'",
    "CALL pragma_version()",
    "PREPARE p AS SELECT 1", "EXECUTE p", "DEALLOCATE p", "SET VARIABLE a = 1",
    "EXPLAIN ANALYZE COPY shots TO '{place}'", "EXPLAIN COPY shots TO '{place}'",
    "EXPLAIN ANALYZE INSERT INTO shots SELECT * FROM shots", "COMMENT ON TABLE shots IS 'x'",
    "SELECT 1; COPY shots TO '{place}'", "WITH a AS (SELECT 1) INSERT INTO shots SELECT * FROM a",
    "SELECT * FROM read_csv('{place}')", "SELECT * FROM read_text('/etc/hostname')",
    "SELECT * FROM read_blob('{place}')", "SELECT * FROM '{place}.csv'", "SELECT * FROM '{place}'",
    "SELECT * FROM glob('/*')", "SELECT * FROM read_parquet('{place}/*')", "FROM '/etc/passwd'",
    "SELECT * FROM read_json('{place}')", "SELECT getenv('HOME')",
    "SELECT * FROM sniff_csv('{place}')",
    "SELECT write_log('x')", "SELECT * FROM parquet_metadata('{place}')", "SELECT txid_current()",
    "COPY shots TO '/dev/stdout'", "SELECT * FROM query('DROP TABLE shots')",
    "SELECT * FROM query_table('shots')", "SELECT nextval('s')",
    "SELECT set_config('a', 'b', false)",
    "SELECT * FROM duckdb_extensions() LIMIT 1", "SELECT * FROM pragma_storage_info('shots')",
    "SELECT * FROM sqlite_scan('{place}', 'a')", "SELECT * FROM postgres_scan('', '', '')",
    "CREATE TABLE IF NOT EXISTS mine AS FROM shots", "COPY (FROM shots) TO '{place}' (FORMAT csv)",
)  # fmt: skip


def any_sql(chance: random.Random, inside: Path) -> str:
    """A question: one that reads, one that tries to write, or a spoiled one of either."""
    places = (
        inside.parent / "outside" / "taken", inside.parent / "outside" / "kept.txt",
        Path("here.csv"), inside / "outputs" / "matches.parquet", Path("../outside/taken"),
    )  # fmt: skip
    question = chance.choice(chance.choice((READING, WRITING)))
    question = question.replace("{place}", str(chance.choice(places)))
    if chance.random() < 0.4:
        spoiled = spoiled_text(chance, question, (*WORDS[:40], *_TOKENS))
        question = spoiled.decode("utf-8", "replace")
    if chance.random() < 0.1:
        space = chance.choice(("\n", "\t", "/**/", "\u00a0"))
        question = question.swapcase().replace(" ", space)
    return question


_TOKENS = (
    "SELECT", "FROM shots", "WHERE", "(", ")", "*", ",", "'", '"', ";", "--", "NULL", "UNION ALL",
    "COPY", "TO 'x.csv'", "read_text('/etc/passwd')", "$1", "::BLOB", "OVER ()", "LIMIT -1", "\\",
    "INTO", "DROP TABLE shots", "; COPY shots TO 'x.csv'", "EXPLAIN ANALYZE", "LATERAL", "QUALIFY",
)  # fmt: skip


def places_sql(chance: random.Random, inside: Path) -> str:
    """Rows that speak of a match and seconds, some of them of no such match."""
    match = chance.choice((
        "(SELECT match_id FROM matches LIMIT 1)", "'../../outside/x'", "'/etc/passwd'", "''",
        "NULL",
        "'..'", "(SELECT match_id FROM matches LIMIT 1) || '/../../x'", "chr(0)", "7", "[1]",
    ))  # fmt: skip
    time = chance.choice((
        "0.2", "-5", "1e308", "'inf'::DOUBLE", "'nan'::DOUBLE", "NULL", "'soon'", "TRUE",
        "1::HUGEINT",
        "DATE '2026-08-14'", "[0.1]", "0.1::DECIMAL(5, 2)", "INTERVAL 1 SECOND", "TIME '00:00:01'",
    ))  # fmt: skip
    column = chance.choice(("t_contact_s", "t_s", "start_s", "t_bounce_s"))
    more = f", {time} + 1 AS end_s" if chance.random() < 0.5 else f", {time} AS end_s"
    return f"SELECT {match} AS match_id, {time} AS {column}{more if column == 'start_s' else ''}"
