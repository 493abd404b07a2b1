"""A small, seeded part of `make advice-trial`, held to the same promises."""

from __future__ import annotations

import pytest
from advice_trial import Report, trial


@pytest.fixture(scope="module")
def report() -> Report:
    return trial(chambers=6, seed=11, tries=10)


def test_following_the_advice_brings_all_three_figures_into_band_where_that_can_be_done(report):
    assert report.sighted.sum() > 60
    assert report.share(report.program, report.sighted) >= 0.95
    assert report.share(report.program, report.sighted, strict=True) >= 0.92


def test_one_rule_per_symptom_is_beaten_by_a_wide_margin_and_doing_nothing_is_no_answer(report):
    ours, naive, idle = (report.share(one, report.sighted) for one in (report.program, report.naive, report.idle))
    assert ours - naive > 0.2
    assert idle < 0.35


def test_no_step_drives_a_figure_past_its_harmful_limit(report):
    assert report.program.harmed[report.wanted].sum() == 0


def test_the_advice_needs_fewer_changes_than_the_rules_do(report):
    assert report.program.actions[report.sighted].mean() < 0.6 * report.naive.actions[report.sighted].mean()
