"""The fewest pieces, against every subset tried in turn with scipy's linear programming."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import maximum_bipartite_matching

from gapscan.recut.select import LARGEST_CHANGE_MM, SEAT_PLAY_OF_TOLERANCE, Limits, Selection, select_pieces
from gapscan.recut.windows import SeamWindows

LIMITS = Limits(tolerance_mm=0.10, press_mm=0.02)


def windows(pairs, gaps, *, runs=2, u_mm=0.0, seed=0) -> SeamWindows:
    """``runs`` runs a seam, all with the seam's gap, normals and lever arms at random."""
    rng = np.random.default_rng(seed)
    pairs, gaps = np.repeat(np.asarray(pairs), runs, axis=0), np.repeat(np.asarray(gaps, float), runs)
    k = len(gaps)
    angle = rng.uniform(0, 2 * np.pi, k)
    return SeamWindows(
        seam=np.arange(k) // runs,
        first=pairs[:, 0],
        second=pairs[:, 1],
        normal=np.column_stack([np.cos(angle), np.sin(angle)]),
        cross_first=rng.uniform(-8, 8, k),
        cross_second=rng.uniform(-8, 8, k),
        place_mm=np.zeros((k, 2)),
        length_mm=np.full(k, 3.0),
        seated_mm=gaps,
        u_mm=np.full(k, u_mm),
        measured_mm=gaps,
        reason=np.zeros(k, np.int64),
    )


def chosen(w: SeamWindows, pieces: int, *, allowed=None, limits=LIMITS, undersize=None) -> Selection:
    allowed = np.ones(pieces, bool) if allowed is None else np.asarray(allowed, bool)
    undersize = np.zeros(pieces) if undersize is None else np.asarray(undersize, float)
    return select_pieces(w, undersize, np.full(pieces, 10.0), allowed, limits)


def feasible(w: SeamWindows, pieces: int, subset, play_mm: float, limits=LIMITS) -> bool:
    """Is there a change of offset for the subset, and a seat within ``play_mm`` for every piece, that fits every run?

    −press ≤ gap − Δ_A − Δ_B + n·(p_B − p_A) ≤ tolerance, by linprog over (Δ, x, y, turn·10 mm) of every piece.
    """
    k = np.arange(len(w.seam))
    A = np.zeros((len(k), 4 * pieces))
    for piece, cross, side in ((w.first, w.cross_first, -1.0), (w.second, w.cross_second, 1.0)):
        A[k, piece] -= 1.0
        A[k, pieces + piece] += side * w.normal[:, 0]
        A[k, 2 * pieces + piece] += side * w.normal[:, 1]
        A[k, 3 * pieces + piece] += side * cross / 10.0
    low = -limits.press_mm - limits.sureness * w.u_mm - w.seated_mm
    high = limits.tolerance_mm + limits.sureness * w.u_mm - w.seated_mm
    change = [(-LARGEST_CHANGE_MM, LARGEST_CHANGE_MM) if i in subset else (0.0, 0.0) for i in range(pieces)]
    bounds = change + [(-play_mm, play_mm)] * (3 * pieces)
    found = linprog(np.zeros(4 * pieces), np.vstack([A, -A]), np.concatenate([high, -low]) + 1e-9, bounds=bounds)
    return bool(found.status == 0)


def fewest(w: SeamWindows, pieces: int, play_mm: float, *, allowed=None, limits=LIMITS) -> int | None:
    """Size of the smallest subset that works, every subset tried; None when none does."""
    allowed = range(pieces) if allowed is None else np.flatnonzero(allowed)
    for size in range(len(allowed) + 1):
        if any(feasible(w, pieces, set(s), play_mm, limits) for s in combinations(allowed, size)):
            return size
    return None


def grid_pairs(columns: int, rows: int) -> list[tuple[int, int]]:
    return [
        (r * columns + c, r2 * columns + c2)
        for r in range(rows)
        for c in range(columns)
        for r2, c2 in ((r, c + 1), (r + 1, c))
        if r2 < rows and c2 < columns
    ]


GRIDS = [(2, 2), (3, 2), (3, 3), (4, 2)]


@pytest.mark.parametrize("seed", range(10))
def test_the_number_is_that_of_brute_force(seed):
    """Pieces too small or too large by random amounts; how much play a seat has must not matter for the check."""
    rng = np.random.default_rng(seed)
    columns, rows = GRIDS[seed % len(GRIDS)]
    pieces, pairs = columns * rows, grid_pairs(columns, rows)
    size = np.where(rng.uniform(size=pieces) < 0.4, rng.choice([0.14, 0.2, -0.08], pieces), 0.02)
    w = windows(pairs, [size[a] + size[b] for a, b in pairs], seed=seed)
    found = chosen(w, pieces, undersize=size)
    play = SEAT_PLAY_OF_TOLERANCE * LIMITS.tolerance_mm
    at_most, at_least = fewest(w, pieces, 0.0), fewest(w, pieces, play)
    assert at_most is not None
    assert at_least <= found.recut.sum() <= at_most
    assert found.proven
    assert len(found.missed) == 0
    assert feasible(w, pieces, set(np.flatnonzero(found.recut)), play)


@pytest.mark.parametrize("seed", range(8))
def test_gaps_without_a_story_too(seed):
    """Every seam's gap at random, not the sum of two sizes."""
    rng = np.random.default_rng(100 + seed)
    columns, rows = GRIDS[seed % len(GRIDS)]
    pieces, pairs = columns * rows, grid_pairs(columns, rows)
    w = windows(pairs, rng.choice([0.0, 0.05, 0.2, 0.25], len(pairs), p=[0.3, 0.3, 0.2, 0.2]), seed=seed)
    play = SEAT_PLAY_OF_TOLERANCE * LIMITS.tolerance_mm
    at_most, at_least = fewest(w, pieces, 0.0), fewest(w, pieces, play)
    found = chosen(w, pieces)
    if at_least is None:
        assert len(found.missed) > 0
    elif at_most is not None:
        assert at_least <= found.recut.sum() <= at_most


def test_brute_force_with_and_without_play_mostly_agree():
    """Else the two tests above would check little."""
    same = 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        pairs = grid_pairs(3, 2)
        size = np.where(rng.uniform(size=6) < 0.4, 0.15, 0.02)
        w = windows(pairs, [size[a] + size[b] for a, b in pairs], seed=seed)
        same += fewest(w, 6, 0.0) == fewest(w, 6, 0.015)
    assert same >= 5


@pytest.mark.parametrize("seed", range(8))
def test_minimum_vertex_cover(seed):
    """Every seam 0.2 wide: each needs one side recut, and any cover will do (0.11 on one or both sides)."""
    rng = np.random.default_rng(seed)
    pieces = 9
    every = list(combinations(range(pieces), 2))
    pairs = [every[k] for k in rng.choice(len(every), 12, replace=False)]
    covers = (s for n in range(pieces) for s in combinations(range(pieces), n) if all(set(p) & set(s) for p in pairs))
    found = chosen(windows(pairs, [0.2] * len(pairs)), pieces)
    assert found.recut.sum() == len(next(covers))
    assert all(found.recut[a] or found.recut[b] for a, b in pairs)


@pytest.mark.parametrize(("columns", "rows"), [(3, 3), (5, 4), (6, 5)])
def test_vertex_cover_of_a_chequered_board_by_koenigs_theorem(columns, rows):
    # König 1931: in a two-coloured graph the smallest cover is as large as the largest matching (here scipy's).
    pieces, pairs = columns * rows, grid_pairs(columns, rows)
    white = [sum(divmod(k, columns)) % 2 == 0 for k in range(pieces)]
    graph = np.zeros((pieces, pieces), bool)
    for a, b in pairs:
        graph[(a, b) if white[a] else (b, a)] = True
    matched = int((maximum_bipartite_matching(csr_matrix(graph)) >= 0).sum())
    assert chosen(windows(pairs, [0.2] * len(pairs)), pieces).recut.sum() == matched


def test_one_piece_too_small_is_the_one_that_is_named():
    pairs = grid_pairs(3, 3)
    size = np.full(9, 0.02)
    size[4] = 0.16
    found = chosen(windows(pairs, [size[a] + size[b] for a, b in pairs]), 9, undersize=size)
    assert np.flatnonzero(found.recut).tolist() == [4]
    assert found.change_mm[4] > 0.05
    assert (found.change_mm[[0, 1, 2, 3, 5, 6, 7, 8]] == 0).all()


def test_of_two_equal_answers_the_piece_at_fault_is_taken():
    for fault in (0, 1):
        size = np.full(2, 0.01)
        size[fault] = 0.15
        found = chosen(windows([(0, 1)], [0.16]), 2, undersize=size)
        assert np.flatnonzero(found.recut).tolist() == [fault]


def test_what_may_not_be_recut_never_is():
    pairs = grid_pairs(3, 3)
    size = np.full(9, 0.02)
    size[4] = 0.125
    allowed = np.arange(9) != 4
    w = windows(pairs, [size[a] + size[b] for a, b in pairs])
    found = chosen(w, 9, allowed=allowed, undersize=size)
    assert not found.recut[4]
    assert found.recut.sum() == fewest(w, 9, 0.0, allowed=allowed) == 4
    assert set(np.flatnonzero(found.recut)) == {1, 3, 5, 7}


def test_nothing_to_do():
    pairs = grid_pairs(3, 2)
    found = chosen(windows(pairs, [0.05] * len(pairs)), 6)
    assert not found.recut.any()
    assert (found.change_mm == 0).all()
    none = chosen(windows(np.zeros((0, 2), int), []), 3)
    assert not none.recut.any()


def test_seams_that_no_allowed_recut_can_cure_are_missed_and_the_others_cured():
    #  0 – 1 – 2 – 3, the middle seam between two pieces that must be kept
    w = windows([(0, 1), (1, 2), (2, 3)], [0.2, 0.3, 0.2])
    found = chosen(w, 4, allowed=[True, False, False, True])
    assert found.missed.tolist() == [1]
    assert np.flatnonzero(found.recut).tolist() == [0, 3]


def test_runs_of_one_seam_that_contradict_each_other_are_missed():
    """A seam wide at one end and overlapping at the other: no even offset and no seat's play cures both."""
    w = windows([(0, 1)], [0.0], runs=2)
    w = SeamWindows(**{**vars(w), "seated_mm": np.array([0.5, -0.5]), "measured_mm": np.array([0.5, -0.5])})
    assert chosen(w, 2).missed.tolist() == [0]


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), low=st.floats(0.05, 0.15), more=st.floats(0.0, 0.15))
def test_a_wider_tolerance_never_asks_for_more(seed, low, more):
    rng = np.random.default_rng(seed)
    pairs = grid_pairs(3, 2)
    size = np.where(rng.uniform(size=6) < 0.5, rng.uniform(0.05, 0.2, 6), 0.01)
    w = windows(pairs, [size[a] + size[b] for a, b in pairs], seed=seed)
    tight = chosen(w, 6, limits=Limits(low, 0.02), undersize=size)
    loose = chosen(w, 6, limits=Limits(low + more, 0.02), undersize=size)
    assert len(loose.missed) <= len(tight.missed)
    if not len(tight.missed):
        assert loose.recut.sum() <= tight.recut.sum()


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_order_of_the_names_does_not_matter(seed):
    rng = np.random.default_rng(seed)
    pairs = grid_pairs(3, 3)
    size = np.where(rng.uniform(size=9) < 0.35, 0.16, 0.02)
    w = windows(pairs, [size[a] + size[b] for a, b in pairs], seed=seed)
    new = rng.permutation(9)  # old index -> new index
    renamed = SeamWindows(**{**vars(w), "first": new[w.first], "second": new[w.second]})
    moved_size = np.empty(9)
    moved_size[new] = size
    a, b = chosen(w, 9, undersize=size), chosen(renamed, 9, undersize=moved_size)
    assert a.recut.sum() == b.recut.sum()
    assert len(a.missed) == len(b.missed)


def test_doubtful_runs_are_given_the_benefit_of_their_doubt():
    """A seam over tolerance by less than its uncertainty is not worth a recut."""
    assert chosen(windows([(0, 1)], [0.135], u_mm=0.0), 2).recut.sum() == 1
    assert chosen(windows([(0, 1)], [0.135], u_mm=0.05), 2).recut.sum() == 0
