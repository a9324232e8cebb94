"""Movement of the gaps against the handbook's worked example and against pieces strained outline by outline."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Polygon

from gapscan.design.pieces import Outline, build_pieces
from gapscan.design.seams import find_seams, seam_stations
from gapscan.design.types import Design
from gapscan.job import Job
from gapscan.wood.moisture import moisture_at
from gapscan.wood.movement import wood_movement
from gapscan.wood.species import find_species
from tests.solve.forward import _edge, board
from tests.wood.specimens import given_of, moisture_by_humidity, strips, wood_job


def design_of(shapes: list[Polygon]) -> Design:
    outlines = [Outline(f"p{k + 1:02d}", "", (np.asarray(s.exterior.coords)[:-1],)) for k, s in enumerate(shapes)]
    pieces, notes = build_pieces(outlines, source="strips")
    seams, rims = find_seams(pieces)
    return Design("strips", pieces, seams, rims, tuple(notes))


def strained(shape: Polygon, grain_deg: float, across: float, along: float) -> Polygon:
    """Turned until the grain lies along x, scaled about the centroid, turned back (shapely; no tensor)."""
    c = shape.centroid
    flat = affinity.rotate(shape, -grain_deg, origin=c)
    return affinity.rotate(affinity.scale(flat, 1 + along, 1 + across, origin=c), grain_deg, origin=c)


def test_the_handbooks_worked_example():
    """Wood Handbook (FPL-GTR-190), chapter 13: a white fir board, flat-sawn, 232 mm wide, from 8 to 11 % grows by 1.7 mm
    (0.067 in. of 9.15 in.). Of two such boards, each grows by half of that towards the seam."""
    design = design_of(strips([232.0, 232.0], 40.0))
    job = wood_job(
        {"*": {"material": "white fir", "sawn": "flat", "grain_deg": 90}},
        moisture_by_humidity(8.0), moisture_by_humidity(11.0),
    )  # fmt: skip
    found = wood_movement(given_of(design), job)
    assert found is not None
    assert (found.cut.percent, found.use.percent) == pytest.approx((8.0, 11.0), abs=1e-6)
    assert found.seam_mm[0] == pytest.approx(-1.7, abs=0.05)
    assert -found.seam_mm[0] / 232.0 * 9.15 == pytest.approx(0.067, abs=0.0006)
    quartered = wood_job(
        {"*": {"material": "white fir", "sawn": "quarter", "grain_deg": 90}},
        moisture_by_humidity(8.0), moisture_by_humidity(11.0),
    )  # fmt: skip
    radial = wood_movement(given_of(design), quartered)
    assert radial is not None
    # the same page's radial coefficient, 0.00112
    assert radial.seam_mm[0] == pytest.approx(-232.0 * 0.00112 * 3.0, abs=1e-6)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_run_against_strained_outlines(seed):
    """Pieces of any shape, grain and species: the change of the gap where the outlines cut the normal (shapely)."""
    rng = np.random.default_rng(seed)
    design = board(4, 3, seed=seed)
    woods = ["black walnut", "hard maple", "cherry", "white oak"]
    pieces = {
        p.id: {
            "material": str(rng.choice(woods)),
            "grain_deg": float(rng.uniform(-180, 180)),
            "sawn": str(rng.choice(["flat", "quarter"])),
        }
        for p in design.pieces
    }
    job = wood_job(pieces, 60.0, 35.0)
    given = given_of(design)
    found = wood_movement(given, job)
    assert found is not None
    change = moisture_at(35.0, 20.0).percent - moisture_at(60.0, 20.0).percent
    laid = {}
    for p in design.pieces:
        told = job.settings(p.id)
        species = find_species(told.material)
        assert species is not None
        c = species.tangential if told.sawn == "flat" else species.radial
        laid[p.id] = strained(p.polygon, told.grain_deg or 0.0, c * change, 0.00005 * change)
    for s, seam in enumerate(design.seams):
        st = seam_stations(design, seam)
        inner = st.junction_mm > 1.0
        a, b = (_edge(laid[name], st.xy_mm, st.normal) for name in seam.pieces)
        wanted = (b - a)[inner]
        assert found.seam_mm[s] == pytest.approx(np.mean(wanted), abs=0.003)
        runs = given.windows.seam == s
        nearest = np.argmin(
            np.hypot(*(given.windows.place_mm[runs][:, None] - st.xy_mm[None]).transpose(2, 0, 1)), axis=1
        )
        ok = inner[nearest]
        assert found.run_mm[runs][ok] == pytest.approx((b - a)[nearest][ok], abs=0.003)
    assert np.abs(found.run_mm).max() > 0.05  # or the comparison says nothing
    assert found.why == ("",) * len(design.seams)


def test_drying_opens_across_the_grain_and_hardly_along_it():
    design = design_of(strips([30.0, 30.0]))
    given = given_of(design)

    def moved(grain_deg: float, cut: float, use: float) -> float:
        found = wood_movement(given, wood_job({"*": {"material": "walnut", "grain_deg": grain_deg}}, cut, use))
        assert found is not None
        return float(found.seam_mm[0])

    assert moved(90.0, 60.0, 35.0) > 0.1
    assert moved(90.0, 35.0, 60.0) < -0.1
    assert 0 < moved(0.0, 60.0, 35.0) < 0.01
    assert moved(90.0, 50.0, 50.0) == 0.0
    assert moved(90.0, 60.0, 35.0) == pytest.approx(moved(-90.0, 60.0, 35.0))


@pytest.mark.parametrize("alike", [True, False])
def test_the_uncertainty_against_draws(alike):
    """Monte Carlo (JCGM 101): moisture at both ends, one coefficient a species, strain along the grain; the outlines
    strained anew each time."""
    rng = np.random.default_rng(8)
    shapes = strips([30.0, 40.0], 30.0)
    design = design_of(shapes)
    pieces = {
        "p01": {"material": "black walnut", "sawn": "flat", "grain_deg": 80},
        "p02": {"material": "black walnut" if alike else "hard maple", "sawn": "flat", "grain_deg": 65},
    }
    found = wood_movement(given_of(design), wood_job(pieces, 60.0, 40.0))
    assert found is not None
    st = seam_stations(design, design.seams[0])
    middle = [len(st) // 2]
    tangential = np.array([0.00274, 0.00274 if alike else 0.00353])
    drawn = []
    for _ in range(1500):
        change = rng.normal(found.use.percent - found.cut.percent, found.u_change_percent)
        tree = rng.normal(1.0, 0.15, 2)
        across = tangential * (tree[[0, 0]] if alike else tree) * change
        along = rng.uniform(0.001, 0.002) / 30.0 * change
        edges = [
            _edge(strained(shape, grain, e, along), st.xy_mm[middle], st.normal[middle])[0]
            for shape, grain, e in zip(shapes, (80, 65), across, strict=True)
        ]
        drawn.append(edges[1] - edges[0])
    at = int(np.argmin(np.hypot(*(given_of(design).windows.place_mm - st.xy_mm[middle]).T)))
    assert found.u_run_mm[at] == pytest.approx(np.std(drawn), rel=0.08)
    assert found.run_mm[at] == pytest.approx(np.mean(drawn), abs=0.02)


def test_not_told_how_sawn_is_less_sure():
    given = given_of(design_of(strips([30.0, 30.0])))
    u = []
    for sawn in ({"sawn": "flat"}, {}):
        found = wood_movement(given, wood_job({"*": {"material": "hard maple", "grain_deg": 90, **sawn}}))
        assert found is not None
        u.append(float(found.u_seam_mm[0] / found.seam_mm[0]))
    assert u[1] > 1.1 * u[0]


def test_what_is_not_known_is_not_computed():
    given = given_of(design_of(strips([30.0] * 5)))
    pieces = {
        "p01": {"material": "walnut", "grain_deg": 90}, "p02": {"material": "walnut", "grain_deg": 90},
        "p03": {"material": "bog elder", "grain_deg": 90}, "p04": {"material": "maple"}, "p05": {"grain_deg": 90},
    }  # fmt: skip
    found = wood_movement(given, wood_job(pieces))
    assert found is not None
    assert np.isfinite(found.seam_mm).tolist() == [True, False, False, False]
    assert (np.isfinite(found.u_seam_mm) == np.isfinite(found.seam_mm)).all()
    assert found.why[0] == ""
    assert found.why[1] == "no coefficient for 'bog elder' on file"
    assert "no grain_deg for p04" in found.why[2]
    assert "no material for p05" in found.why[3]
    assert "no coefficient for 'bog elder' on file; movement not computed" in found.unknown
    assert "movement of the wood: 'walnut' is taken as black walnut" in found.unknown
    assert any("no material told for p05" in one for one in found.unknown)


def test_outside_the_tables_range_it_says_so():
    given = given_of(design_of(strips([30.0, 30.0])))
    pieces = {"*": {"material": "walnut", "grain_deg": 90}}
    for cut, use, outside in ((60.0, 40.0, False), (90.0, 40.0, True), (50.0, 10.0, True)):
        found = wood_movement(given, wood_job(pieces, cut, use))
        assert found is not None
        assert any("outside 6 to 14 %" in one for one in found.unknown) == outside


def test_without_air_there_is_nothing_to_say():
    assert wood_movement(given_of(design_of(strips([30.0, 30.0]))), Job()) is None
