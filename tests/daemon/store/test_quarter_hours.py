"""Quarters of an hour from columns of readings: the same figures as the database library's own grouping gives."""

import sqlite3
from contextlib import closing

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.store.packing import Columns
from daemon.store.quarter_hours import folded, quarters_of

SQL = """SELECT series, at_ms / 900000 * 900000 AS begin_ms, count(value), min(value), avg(value), max(value) FROM reading
         WHERE value IS NOT NULL GROUP BY series, begin_ms ORDER BY series, begin_ms"""
VALUES = st.one_of(st.floats(-40.0, 100.0), st.just(float("nan")))
ROWS = st.lists(st.tuples(st.integers(0, 5_000_000), st.integers(1, 3), VALUES), max_size=40)


@given(ROWS, st.integers(1, 4))
def test_however_the_readings_are_cut_the_quarters_are_those_of_all(rows, parts):
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.execute("CREATE TABLE reading (at_ms INTEGER, series INTEGER, value REAL)")
        connection.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)  # NaN becomes NULL
        wanted = connection.execute(SQL).fetchall()
    cut = [list(zip(*rows[n::parts], strict=True)) or [()] * 3 for n in range(parts)]
    columns = [Columns.of(at_ms, at_ms, series, value) for at_ms, series, value in cut]
    found = list(zip(*(column.tolist() for column in folded([quarters_of(part) for part in columns])), strict=True))
    assert [row[:3] for row in found] == [row[:3] for row in wanted]
    assert [row[3:] for row in found] == [pytest.approx(row[3:], abs=1e-9) for row in wanted]


def test_no_readings_give_no_quarters():
    assert all(not len(column) for column in folded([quarters_of(Columns.of([], [], [], []))]))
    assert all(not len(column) for column in quarters_of(Columns.of([1], [1], [1], [np.nan])))
