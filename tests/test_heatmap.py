"""Colours, bands and legends."""

from itertools import combinations, pairwise

import numpy as np
import pytest

from bayreach import heatmap
from bayreach.arrays import FloatArray
from bayreach.heatmap import FilmScale, grey_contrast, relative_luminance


def scale(required_um: float = 8.0, most_um: float = 25.0) -> FilmScale:
    return FilmScale(required_um=required_um, most_um=most_um)


def test_band_colours_are_the_published_cividis_map() -> None:
    matplotlib = pytest.importorskip("matplotlib")
    cividis = matplotlib.colormaps["cividis"]
    found = heatmap.rgb_table(heatmap.CIVIDIS_BELOW + heatmap.CIVIDIS_ABOVE)
    wanted = np.array([cividis(place)[:3] for place in heatmap.CIVIDIS_PLACES]) * 255.0
    np.testing.assert_allclose(found, wanted, atol=0.51)


def test_the_required_film_is_a_band_edge_and_everything_from_it_is_enough() -> None:
    bands = scale().bands
    assert [band.enough for band in bands] == [False] * 5 + [True] * 4
    assert bands[5].low_um == 8.0
    # One float below 8 um is not enough; 8 um is: no film is rounded into a claim.
    assert scale().band_of([np.nextafter(8.0, 0.0), 8.0]).tolist() == [4, 5]


def test_no_film_has_a_band_of_its_own_and_what_is_no_number_counts_as_none() -> None:
    assert scale().band_of([0.0, np.nan, -1.0, 1e-9]).tolist() == [0, 0, 0, 1]


def test_grey_rises_with_the_film_and_doubles_at_the_required_film() -> None:
    grey = [relative_luminance(band.colour) for band in scale().bands]
    assert all(low < high for low, high in pairwise(grey))
    assert grey_contrast(heatmap.CIVIDIS_BELOW[-1], heatmap.CIVIDIS_ABOVE[0]) >= 2.0


@pytest.mark.parametrize("pair", list(combinations(heatmap.STATUS_COLOURS, 2)), ids="-".join)
def test_any_two_statuses_differ_by_two_to_one_in_grey(pair: tuple[str, str]) -> None:
    first, second = (heatmap.status_colour(name)[0] for name in pair)
    assert grey_contrast(first, second) >= 2.0


def test_statuses_that_ask_for_work_carry_their_own_hatch() -> None:
    hatches = [heatmap.status_colour(name)[1] for name in ("dry", "heavy", "keep-out")]
    assert len({heatmap.HATCH_NONE, *hatches}) == 4


def test_an_unlimited_film_still_has_a_scale() -> None:
    assert scale(most_um=np.inf).edges_um[-1] == 32.0


@pytest.mark.parametrize(("required", "most"), [(0.0, 5.0), (-1.0, 5.0), (8.0, 8.0), (float("nan"), 5.0)])
def test_a_scale_that_makes_no_sense_is_refused(required: float, most: float) -> None:
    with pytest.raises(ValueError, match="required film must be above zero"):
        scale(required, most)


def test_the_legend_names_each_band_in_both_units() -> None:
    rows = heatmap.legend(scale())
    assert rows[0][1] == "no film"
    # 8 um / 25.4 um a mil = 0.315 mil; (8 + 17 / 3) um = 13.67 um = 0.538 mil.
    assert rows[5][1] == "8 to 13.7 µm (0.31 to 0.54 mil)"
    assert rows[-1][1] == "over 25 µm (0.98 mil)"


# G. Machado, M. Oliveira and L. Fernandes, "A physiologically-based model for simulation of color vision
# deficiency", IEEE Transactions on Visualization and Computer Graphics 15(6), 2009: full severity,
# on linear RGB.
VISION = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.01182, 0.04294, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.3039],
    ],
}


def lab_seen(colour: str, vision: str) -> FloatArray:
    """Return CIE 1976 L*, a*, b* (D65) of a colour as a reader with this vision sees it."""
    channels = np.array(heatmap.rgb(colour)) / 255.0
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    seen = np.clip(np.array(VISION[vision]) @ linear, 0.0, 1.0)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    ratio = to_xyz @ seen / [0.9505, 1.0, 1.089]
    root = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * root[1] - 16, 500 * (root[0] - root[1]), 200 * (root[1] - root[2])])


@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize("pair", list(combinations(("covered", "low", "dry"), 2)), ids="-".join)
def test_the_three_main_statuses_are_told_apart_by_any_eye(vision: str, pair: tuple[str, str]) -> None:
    one, two = (lab_seen(heatmap.status_colour(name)[0], vision) for name in pair)
    # A difference of about 2 can just be seen; ten times that cannot be missed, and dry is hatched besides.
    assert np.linalg.norm(one - two) > 20.0
