from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.adequacy import find_unresolvable
from triage.errors import RecordError
from triage.groups import candidate_groups
from triage.optics import Objective, usual_objective
from triage.records import Visibility
from triage.visibility import choose_steps, judge_visibility


def judge(um_per_px: float | None, magnification: float | None) -> dict[str, Visibility]:
    objective = None if magnification is None else usual_objective(magnification)
    return {one.group: one for one in judge_visibility(um_per_px, objective)}


def test_every_candidate_group_is_judged_once() -> None:
    assert tuple(judge(0.5, 10)) == candidate_groups()


@given(um_per_px=st.floats(0.05, 20))
def test_sampling_agrees_with_what_the_proposal_calls_not_resolvable(um_per_px: float) -> None:
    limited = tuple(name for name, one in judge(um_per_px, None).items() if "sampling" in one.limited_by)
    assert limited == find_unresolvable(um_per_px, um_per_px)


def test_pixels_across_a_giardia_cyst_and_an_egg_of_thirty_micrometres() -> None:
    # 30 µm at 0.58 µm a pixel spans about 52 px; worked out apart from this code.
    judged = judge(0.58, None)
    assert judged["taeniid_egg"].width_px == pytest.approx(51.7, abs=0.1)
    assert judged["giardia_cyst"].width_px == pytest.approx(12.07, abs=0.01)


@pytest.mark.parametrize("group", ["oocyst", "giardia_cyst"])
def test_protozoa_at_4x_are_limited_by_optics_whatever_the_camera(group: str) -> None:
    # TroCCAP SOP 1: 10x for worm stages, 40x for protozoa.
    one = judge(0.05, 4)[group]
    assert (one.is_resolvable, one.limited_by) == (False, ("optics",))
    assert one.advice.endswith("Go to 40x.")


def test_everything_is_wide_enough_at_40x_with_a_fine_camera() -> None:
    assert all(one.is_resolvable and not one.limited_by for one in judge(0.2, 40).values())


def test_a_giardia_cyst_at_10x_just_misses_and_does_not_read_as_enough() -> None:
    # 7 µm against 12 x 0.61 x 0.55 / 0.25 / 2.3 = 7.002 µm.
    one = judge(0.2, 10)["giardia_cyst"]
    assert (one.is_resolvable, one.limited_by) == (False, ("optics",))
    assert "fills only 11.9 px" in one.advice


def test_ascarid_eggs_are_wide_enough_at_4x() -> None:
    one = judge(1.4, 4)["ascarid_egg"]
    assert (one.is_resolvable, one.advice) == (True, "Wide enough to be shown.")


def test_a_coarse_camera_is_told_apart_from_a_weak_objective() -> None:
    assert judge(2.0, 40)["oocyst"].limited_by == ("sampling",)
    assert judge(2.0, 4)["oocyst"].limited_by == ("sampling", "optics")


def test_advice_at_40x_is_not_to_go_to_40x() -> None:
    advice = judge(2.0, 40)["oocyst"].advice
    assert "only 5 px wide" in advice
    assert "more pixels" in advice and "40x" not in advice


def test_without_scale_or_objective_nothing_is_said() -> None:
    one = judge(None, None)["oocyst"]
    assert (one.is_resolvable, one.width_px, one.resolved_px) == (None, None, None)
    assert one.advice == "Can't be judged: neither the scale nor the objective is known."


def test_an_unknown_objective_is_named_where_the_pixels_suffice() -> None:
    one = judge(0.2, None)["oocyst"]
    assert one.is_resolvable is True
    assert "the objective" in one.advice and "scale" not in one.advice


@given(um_per_px=st.floats(0.05, 5), aperture=st.floats(0.05, 1.4))
def test_finer_pixels_and_larger_apertures_never_hide_a_group(um_per_px: float, aperture: float) -> None:
    coarse = judge_visibility(um_per_px, Objective(10, aperture))
    fine = judge_visibility(um_per_px / 2, Objective(10, aperture * 1.1))
    assert all(
        better.is_resolvable or not worse.is_resolvable for worse, better in zip(coarse, fine, strict=True)
    )


def test_blur_limits_the_smallest_first_and_asks_for_focus_not_for_40x() -> None:
    # 12 blurs across: 0.95 µm leaves 11.57 of 11 µm and 22 of 21 µm.
    judged = {one.group: one for one in judge_visibility(0.2, usual_objective(40), blur_um=0.95)}
    limited = [name for name, one in judged.items() if one.limited_by]
    assert limited == ["spirurid_egg", "oocyst", "giardia_cyst"]
    one = judged["spirurid_egg"]
    assert one.limited_by == ("focus",) and one.focused_px == pytest.approx(11.58, abs=0.01)
    assert one.advice == (
        "Can't be assessed in this picture: the blur leaves only 11.5 px of its width apart, 12 are needed. "
        "Take it again in focus."
    )


def test_blur_and_pixels_both_limit_and_both_are_told() -> None:
    judged = {one.group: one for one in judge_visibility(1.0, None, blur_um=2.0)}
    assert judged["oocyst"].limited_by == ("sampling", "focus")
    assert judged["oocyst"].advice.endswith("Take it again in focus. Go to 40x.")


@given(blur_um=st.floats(0.1, 20))
def test_more_blur_never_shows_more(blur_um: float) -> None:
    for less, more in zip(
        judge_visibility(0.2, None, blur_um=blur_um),
        judge_visibility(0.2, None, blur_um=1.5 * blur_um),
        strict=True,
    ):
        assert less.is_resolvable or not more.is_resolvable


@pytest.mark.parametrize(
    ("limits", "magnification", "steps"),
    [
        (("sampling",), None, ("magnify",)),
        (("optics",), 40.0, ("more_pixels",)),
        (("focus",), 10.0, ("refocus",)),
        (("sampling", "focus"), 10.0, ("refocus", "magnify")),
        ((), 10.0, ()),
    ],
)
def test_choose_steps_names_what_helps(
    limits: tuple[str, ...], magnification: float | None, steps: tuple[str, ...]
) -> None:
    assert choose_steps(limits, magnification) == steps


@pytest.mark.parametrize("um_per_px", [0.0, -1.0, float("nan")])
def test_judge_visibility_refuses_an_impossible_scale(um_per_px: float) -> None:
    with pytest.raises(RecordError, match=f"scale is {um_per_px} µm per pixel"):
        judge_visibility(um_per_px, None)
