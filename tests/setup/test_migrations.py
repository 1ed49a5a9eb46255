"""A new database is made in one step an app, older ones step by step: both end with the same tables."""

import sqlite3
import subprocess
import sys
from pathlib import Path

from tests.services.shop import REPOSITORY, run_manage, shop_env

STEP_BY_STEP = """
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

executor = MigrationExecutor(connection)
executor.loader.replace_migrations = False
executor.loader.build_graph()
steps = [node for node in executor.loader.graph.leaf_nodes() if "squashed" not in node[1]]
executor.migrate(steps)
"""


def test_an_older_database_ends_with_the_tables_of_a_new_one(tmp_path):
    new, old = tmp_path / "new.sqlite3", tmp_path / "old.sqlite3"
    run_manage(shop_env(tmp_path, f"sqlite:///{new}"), "migrate", "-v", "0")
    env = shop_env(tmp_path, f"sqlite:///{old}")
    shell = [sys.executable, "manage.py", "shell", "-v", "0", "-c", STEP_BY_STEP]
    subprocess.run(shell, cwd=REPOSITORY, env=env, check=True)
    made = tables(old)
    assert len(made) > 100 and made == tables(new)
    # It has nothing left to do.
    assert "No migrations to apply" in run_manage(env, "migrate")


def tables(path: Path) -> dict[str, list[str]]:
    """Columns, constraints and indexes by name; a table's in alphabetical order: some were added later."""
    with sqlite3.connect(path) as connection:
        rows = connection.execute(
            "SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL"
        ).fetchall()
    return {name: sorted(lines_of(sql)) if kind == "table" else [sql] for kind, name, sql in rows}


def lines_of(sql: str) -> list[str]:
    """What stands between the commas of CREATE TABLE that are in no parentheses of their own."""
    lines, depth, body = [""], 0, sql[sql.index("(") + 1 : sql.rindex(")")]
    for letter in body:
        depth += {"(": 1, ")": -1}.get(letter, 0)
        if letter == "," and not depth:
            lines.append("")
        else:
            lines[-1] += letter
    return [line.strip() for line in lines]
