from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from triage.adequacy import assess_adequacy, find_unresolvable
from triage.images import Picture
from triage.optics import Objective, usual_objective

Draw = Callable[..., NDArray[np.uint8]]
Open = Callable[[NDArray[np.uint8]], Picture]
EGGS = [(120.0 + 110 * i, 100.0 + 90 * j, 80.0, 45.0, 20.0 * i) for i in range(4) for j in range(4)]


def test_assess_adequacy_of_a_sharp_picture_has_nothing_to_remark(draw: Draw, open_array: Open) -> None:
    with open_array(draw((500, 600), EGGS)) as picture:
        adequacy = assess_adequacy(picture, 0.5, 0.5)
    assert adequacy.assessed_fraction == 1.0
    assert adequacy.notes == ()


def test_assess_adequacy_remarks_on_blur(draw: Draw, open_array: Open) -> None:
    with open_array(draw((500, 600), EGGS, blur_px=6.0)) as picture:
        assert "looks blurred" in " ".join(assess_adequacy(picture, 0.5, 0.5).notes)


def test_assess_adequacy_of_blur_says_which_groups_it_hides(draw: Draw, open_array: Open) -> None:
    with open_array(draw((500, 600), EGGS, blur_px=3.0)) as picture:
        blurred = assess_adequacy(picture, 0.5, 0.5)
    assert blurred.groups_not_resolvable == ("spirurid_egg", "oocyst", "giardia_cyst")
    assert {one.limited_by for one in blurred.groups if one.is_resolvable is False} == {("focus",)}
    assert blurred.focus is not None and blurred.focus["sharpness"] < blurred.focus["least_sharpness"]


def test_assess_adequacy_of_a_weak_objective_says_which_groups_it_hides(draw: Draw, open_array: Open) -> None:
    with open_array(draw((500, 600), EGGS)) as picture:
        taken = assess_adequacy(picture, 0.25, 0.25, objective=Objective(4, 0.1))
        usual = assess_adequacy(picture, 0.25, 0.25, objective=usual_objective(4))
    assert taken.groups_not_resolvable == ("spirurid_egg", "oocyst", "giardia_cyst")
    assert taken.objective == {"magnification": 4, "numerical_aperture": 0.1, "is_aperture_usual": False}
    assert taken.notes == ()
    (note,) = usual.notes
    assert note.startswith("The aperture of the objective isn't on record; 0.1 is taken, usual for 4x")


def test_assess_adequacy_of_a_black_picture(open_array: Open) -> None:
    with open_array(np.zeros((300, 300, 3), dtype=np.uint8)) as picture:
        adequacy = assess_adequacy(picture, 0.5, 0.5)
    assert (adequacy.assessed_fraction, adequacy.focus) == (0.0, None)
    assert adequacy.notes == ("The whole picture is black and shows nothing.",)


def test_assess_adequacy_tells_of_the_light(draw: Draw, open_array: Open) -> None:
    with open_array(draw((500, 600), EGGS)) as picture:
        light = assess_adequacy(picture, 0.5, 0.5).light
    assert light is not None and list(light) == [
        "black_fraction",
        "burnt_out_fraction",
        "contrast",
        "evenness",
    ]
    assert light["evenness"] > 0.9 and light["contrast"] > 50


def test_assess_adequacy_remarks_on_missing_contrast(open_array: Open) -> None:
    with open_array(np.full((300, 300, 3), 128, dtype=np.uint8)) as picture:
        assert "hardly any contrast" in " ".join(assess_adequacy(picture, 0.5, 0.5).notes)


def test_assess_adequacy_leaves_out_the_dark_surround_of_an_eyepiece(open_array: Open) -> None:
    pixels = np.zeros((400, 400, 3), dtype=np.uint8)
    cv2.circle(pixels, (200, 200), 200, (200, 200, 200), -1)
    with open_array(pixels) as picture:
        adequacy = assess_adequacy(picture, 0.5, 0.5)
    assert adequacy.assessed_fraction == pytest.approx(np.pi / 4, abs=0.01)
    assert "21 % of the area is black and shows nothing" in " ".join(adequacy.notes)


def test_assess_adequacy_remarks_on_burnt_out_light_but_assesses_it(draw: Draw, open_array: Open) -> None:
    pixels = draw((500, 600), EGGS)
    with open_array(np.where(pixels > 180, 255, pixels).astype(np.uint8)) as picture:
        adequacy = assess_adequacy(picture, 0.5, 0.5)
    assert adequacy.assessed_fraction == 1.0
    assert "burnt out; thin walls may not show" in " ".join(adequacy.notes)


def test_assess_adequacy_of_one_pixel_assesses_nothing(open_array: Open) -> None:
    with open_array(np.full((1, 1, 3), 128, dtype=np.uint8)) as picture:
        adequacy = assess_adequacy(picture, None, None)
    assert adequacy.assessed_fraction == 0.0
    assert "The picture is 1 x 1 px" in adequacy.notes[0]


def test_assess_adequacy_says_that_the_scale_is_unknown(draw: Draw, open_array: Open) -> None:
    with open_array(draw((500, 600), EGGS)) as picture:
        adequacy = assess_adequacy(picture, None, None)
    assert "The scale is unknown" in " ".join(adequacy.notes)
    assert adequacy.groups_not_resolvable == ()


@pytest.mark.parametrize(
    ("um_per_px", "groups"),
    [
        (0.5, ()),
        (0.6, ("giardia_cyst",)),
        (1.0, ("spirurid_egg", "oocyst", "giardia_cyst")),
        (6.0, None),
    ],
)
def test_find_unresolvable_needs_12_px_across_the_smallest_member(
    um_per_px: float, groups: tuple[str, ...] | None
) -> None:
    found = find_unresolvable(um_per_px, um_per_px)
    assert found == groups if groups is not None else len(found) == 10


def test_find_unresolvable_counts_the_scale_that_was_looked_at() -> None:
    assert find_unresolvable(0.1, 1.0) == find_unresolvable(1.0, 1.0)


def test_find_unresolvable_gains_nothing_from_enlarging() -> None:
    assert find_unresolvable(2.0, 1.0) == find_unresolvable(2.0, 2.0)
