"""When a truck was last seen running: at its reading, or where it was tuned later, then; and a search that begins where nothing can be reckoned."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.models.joint import Terms, joint_model, simulate
from analytics.models.lifedata import life_data, seen_alive
from analytics.models.likelihood import log_likelihood
from analytics.models.newton import maximise

N = 40


def model_of(read: float):
    """40 trucks at the same 40 miles a day, tuned on day 400, running on day 900, last ``read`` on that day; four more failed."""
    failed = np.arange(N + 4) >= N
    data = life_data(
        np.where(failed, 25_000.0, np.nan),
        np.where(failed, 25_000.0, np.inf),
        np.linspace(500, 900, N + 4),
        np.full(N + 4, 7000.0),
        entry_days=np.where(failed, 0.0, 400.0),
        lower_days=np.where(failed, 625.0, 900.0),
        upper_days=np.where(failed, 625.0, np.inf),
        rate_miles=np.where(failed, 25_000.0, 40.0 * read),
        rate_days=np.where(failed, 625.0, read),
    )
    return joint_model(data, 50_000.0, terms=Terms(share=0.8))


def value(model, theta):
    layout = model.layout
    return log_likelihood(theta, replace(model.rows, rates=None), layout, model.distribution, model.nodes, order=0)[0][
        0
    ]


def start(model):
    theta = np.zeros(model.layout.size)
    theta[0], theta[1], theta[2] = np.log(2.0), 1.0, -3.0
    theta[model.layout.mu] = np.log(40.0)
    theta[model.layout.tau] = np.log(0.3)
    return theta


def test_a_reading_before_the_tune_says_no_more_than_the_tune():
    before, at, after = (model_of(day) for day in (100.0, 400.0, 650.0))
    for shift in (0.0, 4.0, 40.0):  # to lives so short that e^z overflows all else
        theta = start(before)
        theta[1] -= shift
        told = [value(m, theta) for m in (before, at, after)]
        assert told[0] == pytest.approx(told[1], rel=1e-9)
        assert abs(told[2] - told[1]) > 1e-3  # a reading after it does
        assert told[0] < 0


def test_drawn_fleets_are_taken_the_same_way():
    models = [model_of(day) for day in (100.0, 400.0)]
    rows = [simulate(m, start(m), np.random.default_rng(3).spawn(5)) for m in models]
    drawn = [[b for b in r.blocks if b.kind == "running" and b.other is not None] for r in rows]
    last = [np.log(b.other.num[0] + b.other.num[1]) for blocks in drawn for b in blocks]
    assert len(last) == 2
    assert np.exp(last[0]).min() >= 400 - 1e-9
    assert np.exp(last[0]) == pytest.approx(np.exp(last[1]))


def test_last_seen():
    read, entry, end = np.array([100.0, 500, 900, -50]), np.array([400.0, 400, 400, 0]), np.full(4, 700.0)
    assert seen_alive(read, entry, end) == pytest.approx([400, 500, 700, 0.001])


def test_a_search_begun_where_nothing_can_be_reckoned_ends_there_and_the_others_go_on():
    def parabola(theta, which):
        hess = np.repeat(-2 * np.eye(3)[None], len(theta), 0)
        hess[theta[:, 0] > 1e6] = np.inf
        return -(theta**2).sum(1), -2 * theta, hess

    found = maximise(parabola, np.array([[1e9, 0.0, 0.0], [3.0, -2.0, 1.0]]))
    assert found.converged.tolist() == [False, True]
    assert found.theta[1] == pytest.approx([0, 0, 0])


@settings(max_examples=400, deadline=None, derandomize=True)
@given(st.data())
def test_what_a_life_says_is_a_chance_and_never_above_one(data):
    """One truck that did not fail, or failed between two days, at any parameters: the log of a chance, so at most 0."""
    draw = data.draw
    begin, start = draw(st.sampled_from([0.0, 50.0, 400.0])), draw(st.sampled_from([0.0, 300.0]))
    lower = begin + draw(st.floats(1.0, 900.0))
    fails = draw(st.booleans())
    read = draw(st.one_of(st.just(np.nan), st.floats(1.0, start + lower)))
    life = life_data(
        [np.nan],
        [np.nan if fails else np.inf],
        [700.0],
        [7000.0],
        entry_days=[begin],
        lower_days=[lower],
        upper_days=[lower + draw(st.floats(1.0, 300.0)) if fails else np.inf],
        start_days=[start],
        known_alive=[draw(st.booleans()) and not fails],
        rate_miles=[np.nan if fails else 40.0 * read],
        rate_days=[np.nan if fails else read],
    )
    terms = Terms(
        decline=True,
        change_days=200.0,
        selection=draw(st.booleans()),
        share=draw(st.sampled_from([0.3, 0.85, 1.0, None])),
    )
    model = joint_model(life, 50_000.0, distribution=draw(st.sampled_from(["weibull", "lognormal"])), terms=terms)
    theta = np.array([draw(st.floats(-3.0, 3.0)) for _ in range(model.layout.size)])
    theta[1] += draw(st.sampled_from([0.0, 5.0, -5.0, 60.0, -60.0]))
    theta[model.layout.mu] += np.log(40.0)
    assert value(model, theta) <= 1e-9
