"""Terms by places: where a measure is alike, where one place stands apart, where it moves."""

import pytest
from pages_over_time import measured, sample

from handwriting.change import ErrorOf, Ruled
from handwriting.context import grid
from handwriting.history import history

TERMS = {"Autumn": "2025-10-06", "Spring": "2026-02-02", "Summer": "2026-06-01"}
SCHOOL, HOME, CLINIC = ("school", "near-copy"), ("home", "near-copy"), ("clinic", "near-copy")


def pages(values, key="x", unit="1"):
    """`values[(term, setting)]` is the value of one page."""
    return [
        sample(TERMS[term], {key: measured(v, unit)}, term=term, setting=setting)
        for (term, setting), v in values.items()
    ]


KNOWN = ErrorOf(0.1, 20)


def row(values, error=KNOWN, **more):
    return grid(pages(values, **more), {"x": error} if error else None).rows[0]


def everywhere(**by_setting):
    return {(term, setting): v for setting, v in by_setting.items() for term in TERMS}


def test_alike_and_holding():
    r = row(everywhere(school=1.0, home=1.05, clinic=0.98))
    assert (r.places, r.terms, r.steady) == ("alike", "holds", True)


def test_one_place_stands_apart():
    r = row(everywhere(school=2.0, home=1.0, clinic=1.05))
    assert (r.places, r.where, r.terms) == ("one-place", (SCHOOL,), "holds")
    assert not r.steady


def test_two_places_differ_and_neither_is_singled_out():
    r = row(everywhere(school=2.0, home=1.0))
    assert r.places == "apart" and set(r.where) == {SCHOOL, HOME}


def test_three_places_that_all_differ():
    assert row(everywhere(school=3.0, home=1.0, clinic=2.0)).places == "apart"


def test_what_comes_and_goes():
    r = row({("Autumn", "school"): 1.0, ("Spring", "school"): 2.0, ("Summer", "school"): 1.0})
    assert (r.places, r.terms, r.moving) == ("untold", "moves", (SCHOOL,))


@pytest.mark.parametrize("error", [None, ErrorOf(0.1, 9)])
def test_without_enough_repeats_nothing_is_told(error):
    r = row(everywhere(school=5.0, home=1.0), error)
    assert (r.places, r.terms, r.reason) == ("untold", "untold", "few")


def test_lengths_are_not_told_across_rulings():
    found = grid(
        [
            sample("2026-03-02", {"x": measured(1, "mm"), "r": 1.0}, setting="home"),
            sample("2026-03-03", {"x": measured(9, "mm"), "r": 9.0}, setting="school", ruled=Ruled("single", 10.0)),
        ],
        {"x": ErrorOf(0.1, 20), "r": ErrorOf(0.1, 20)},
    )
    told = {r.key: (r.places, r.reason) for r in found.rows}
    assert told == {"x": ("untold", "ruling"), "r": ("untold", "unlike")}


@pytest.mark.parametrize("field", [{"tool": "pencil"}, {"instruction": "best"}, {"hand": "left"}])
def test_places_are_not_told_apart_where_pages_were_asked_for_otherwise(field):
    pages = [sample("2026-03-02", {"x": 1.0}, setting="home"), sample("2026-03-03", {"x": 9.0}, **field)]
    (r,) = grid(pages, {"x": KNOWN}).rows
    assert (r.places, r.terms, r.reason) == ("untold", "untold", "unlike")


def test_time_is_not_taken_for_place():
    r = row({("Autumn", "school"): 1.0, ("Summer", "home"): 5.0})
    assert (r.places, r.terms) == ("untold", "untold")
    # Only the term they share counts: there the two are alike.
    r = row({("Autumn", "school"): 1.0, ("Summer", "school"): 5.0, ("Summer", "home"): 5.0})
    assert (r.places, r.terms) == ("alike", "moves")


def test_steadier_measures_come_first():
    samples = [
        sample(day, {"steady": 1.0, "wild": w, "some": s}, term=t)
        for (t, day), w, s in zip(TERMS.items(), (1.0, 5.0, 9.0), (1.0, 1.05, 1.1), strict=True)
    ]
    error = {k: ErrorOf(0.1, 20) for k in ("steady", "wild", "some")}
    assert [r.key for r in grid(samples, error).rows] == ["steady", "some", "wild"]
    assert [r.key for r in grid(samples).rows] == ["steady", "some", "wild"]


def test_false_calls_over_the_grid_stay_within_five_in_a_hundred():
    import numpy as np

    rng, called = np.random.default_rng(5), 0
    for _ in range(400):
        values = {(t, s): 1.0 + 0.1 * rng.normal() for t in TERMS for s in ("school", "home", "clinic")}
        called += row(values, ErrorOf(0.1, 500)).terms == "moves"
    assert called / 400 <= 0.05 + 0.02  # 400 draws know a share of 5 % to 1.1 points


def test_a_cell_is_the_mean_of_its_pages():
    samples = [
        sample("2026-03-02", {"x": 1.0}, term="T"),
        sample("2026-04-02", {"x": 3.0}, term="T"),
        sample("2026-03-02", {"x": 2.0}, term="T", setting="home"),
    ]
    cells = {c.place: (c.quantity.value, c.pages) for c in grid(samples).rows[0].cells}
    assert cells == {SCHOOL: (2.0, 2), HOME: (2.0, 1)}


def test_a_measure_in_one_cell_only_has_no_row():
    assert grid([sample("2026-03-02", {"x": 1.0})]).rows == ()


# --- history ------------------------------------------------------------------------------------------------------


def test_the_series_is_what_was_asked_for_alike_most_often():
    samples = [
        sample("2025-10-01"), sample("2026-01-01"), sample("2026-05-01"),
        sample("2025-09-01", setting="home"), sample("2026-06-01", task="own-words"),
    ]  # fmt: skip
    told = history(samples)
    assert [str(o.first.date) for o in told.series] == ["2025-10-01", "2026-01-01", "2026-05-01"]
    assert told.comparison.unlike == ()
    assert len(told.grid.places) == 3


def test_without_two_alike_the_first_and_the_last_are_compared_and_said_to_be_unlike():
    told = history([sample("2025-10-01"), sample("2026-01-01", tool="pencil")])
    assert [u.field for u in told.comparison.unlike] == ["tool"]


def test_days_can_be_named():
    import datetime as dt

    from handwriting.errors import UsageError

    samples = [sample(d) for d in ("2025-10-01", "2026-01-01", "2026-05-01")]
    told = history(samples, before=dt.date(2026, 1, 1))
    assert told.comparison.before.first.date == dt.date(2026, 1, 1)
    with pytest.raises(UsageError, match="no page was written on 2026-01-02"):
        history(samples, before=dt.date(2026, 1, 2))
    with pytest.raises(UsageError, match="one occasion"):
        history(samples, before=dt.date(2026, 1, 1), after=dt.date(2026, 1, 1))
    with pytest.raises(UsageError, match="one occasion"):
        history([sample("2025-10-01"), sample("2025-10-03")])
    with pytest.raises(UsageError, match="one occasion"):
        history(samples[:1])
    with pytest.raises(UsageError, match="no pages"):
        history([])


def test_growth_between_grades_is_context():
    told = history([sample("2025-10-01", grade=3), sample("2026-10-01", grade=4)])
    held = {g.source: (g.before, g.after) for g in told.growth}
    # Karlsdottir & Stefansson 2014 as printed in reference/: all children, 54.7 in grade 3 and 71.3 in grade 4.
    assert held["karlsdottir-stefansson-2014"] == (54.7, 71.3)
    assert history([sample("2025-10-01"), sample("2026-10-01")]).growth == ()
    assert all(
        g.grade_after == 5 for g in history([sample("2025-10-01", grade=4), sample("2026-02-01", grade=4)]).growth
    )
