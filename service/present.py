"""Turns rows into response bodies, as the person who asks may see them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service import schemas
from service.drawn_alone import find_drawn_alone
from service.drift import age_in_days
from service.jobs import progress_of, tiles_done_of
from service.settle import current_answer, is_unsettled, needs_mark
from service.store import calibrations, images, people, reading, settling, specimens
from service.store.database import Session
from service.store.images import ImageState
from service.store.models import AdjudicationRow, ImageFileScale, Job, MarkRow, Specimen, User, utc_now
from service.store.reading import ReadState, Spoken
from service.store.specimens import SecondLookState
from triage.pyramid import TILE_PX


@dataclass(frozen=True)
class View:
    """What one person sees within one session block."""

    session: Session
    user: User
    names: dict[int, str]

    def person(self, user_id: int) -> schemas.Person:
        """Somebody's id and name."""
        return schemas.Person(id=user_id, display_name=self.names[user_id])

    def mark(self, row: MarkRow | AdjudicationRow) -> schemas.MarkOut:
        """A mark or an adjudication."""
        return schemas.MarkOut(
            id=row.id,
            answer=row.answer,  # type: ignore[arg-type]
            group=row.group,
            reason=row.reason,
            remark=row.remark,
            reader=self.person(row.reader_id),
            created_at=row.created_at,
            replaces=row.replaces,
        )

    def second_look(self, state: SecondLookState, specimen: Specimen) -> schemas.SecondLookOut:
        """A second look."""
        look = state.look
        return schemas.SecondLookOut(
            id=look.id,
            specimen_id=specimen.id,
            specimen_code=specimen.code,
            asked_by=self.person(look.asked_by),
            reader=None if state.reader_id is None else self.person(state.reader_id),
            claimed_at=None if state.claim is None else state.claim.claimed_at,
            blind=look.is_blind,
            created_at=look.created_at,
            closed_at=None if state.closing is None else state.closing.closed_at,
        )


def view_for(session: Session, user: User) -> View:
    """The view of one person."""
    return View(session, user, people.names_of(session))


def is_blinded(view: View, specimen_id: int) -> bool:
    """Whether this person must not see what others said, because of an open blind second look."""
    return any(
        state.closing is None and state.look.is_blind and state.may_be_of(view.user.id)
        for state in specimens.list_second_looks(view.session, specimen_id)
    )


def without_others(spoken: Sequence[Spoken], user_id: int) -> list[Spoken]:
    """Candidates with this reader's own marks only, and only the objects that this reader added."""
    return [
        Spoken(one.candidate, _of_reader(one.marks, user_id), (), _of_reader(one.withdrawn, user_id))
        for one in spoken
        if one.candidate.drawn_by in (None, user_id)
    ]


def _of_reader(marks: Sequence[MarkRow], user_id: int) -> tuple[MarkRow, ...]:
    return tuple(mark for mark in marks if mark.reader_id == user_id)


def present_candidate(
    view: View, spoken: Spoken, *, alone_ids: frozenset[int] = frozenset()
) -> schemas.CandidateOut:
    """A candidate with what readers said of it; `alone_ids` are objects that one reader drew alone."""
    row, current = spoken.candidate, current_answer(spoken)
    own = {
        "id": row.id,
        "origin": row.origin,
        "below_cut": not row.is_above_cut,
        "drawn_by": None if row.drawn_by is None else view.person(row.drawn_by),
        "marks": [view.mark(mark) for mark in spoken.marks],
        "withdrawn": [view.mark(mark) for mark in spoken.withdrawn],
        "adjudication": view.mark(spoken.adjudications[-1]) if spoken.adjudications else None,
        "settled_together": _settled_together(view, spoken),
        "current": None if current is None else view.mark(current),
        "unsettled": is_unsettled(spoken),
        "drawn_alone": row.id in alone_ids,
    }
    return schemas.CandidateOut.model_validate({**row.said, **own})


def _settled_together(view: View, spoken: Spoken) -> list[schemas.Person]:
    if not spoken.adjudications:
        return []
    together = settling.settled_together(view.session, spoken.adjudications[-1].id)
    return [view.person(number) for number in together]


def present_candidates(view: View, state: ImageState, *, is_withheld: bool) -> schemas.CandidatesOut:
    """The candidates of an image as this person may see them now."""
    image = state.image
    specimen = specimens.specimen_of_image(view.session, image.id)
    proposal = images.newest_proposals(view.session, [image.id]).get(image.id)
    spoken = reading.list_spoken(view.session, [image.id])
    alone_ids: frozenset[int] = frozenset()
    # An unaided read is one's own: neither the tool's finds nor another reader's are in it.
    if is_withheld or is_blinded(view, specimen.id):
        spoken = without_others(spoken, view.user.id)
    else:
        found = find_drawn_alone(view.session, specimen.id)
        alone_ids = frozenset(one.spoken.candidate.id for one in found)
    tool = [] if is_withheld else [one for one in spoken if one.candidate.origin == "tool"]
    head = {} if proposal is None else proposal.head
    return schemas.CandidatesOut(
        image=head.get("image", _image_head(state)),
        calibration=head.get("calibration"),
        detector=head.get("detector"),
        adequacy=head.get("adequacy"),
        caution=head.get("caution"),
        default_cut=None if proposal is None else proposal.default_cut,
        withheld=is_withheld,
        candidates=[present_candidate(view, one) for one in tool if one.candidate.is_above_cut],
        below_cut=[present_candidate(view, one) for one in tool if not one.candidate.is_above_cut],
        objects=[
            present_candidate(view, one, alone_ids=alone_ids)
            for one in spoken
            if one.candidate.origin == "reader"
        ],
    )


def _image_head(state: ImageState) -> dict[str, Any]:
    image = state.image
    return {
        "file_name": image.file_name,
        "sha256": image.sha256,
        "width": image.width,
        "height": image.height,
    }


def present_image(view: View, image_id: int) -> schemas.ImageOut:
    """An image with all that its page needs."""
    state = images.read_image_state(view.session, image_id)
    specimen = specimens.specimen_of_image(view.session, image_id)
    image = state.image
    read = reading.reads_to_show(view.session, image_ids=[image_id], reader_id=view.user.id).get(image_id)
    elsewhere = images.specimens_with_bytes(view.session, image.sha256)
    stated = calibrations.file_scales_of(view.session, [image_id]).get(image_id)
    return schemas.ImageOut(
        **_summarize_image(
            state,
            reading.list_spoken(view.session, [image_id]),
            stated,
            is_withheld=reading.is_withheld(view.session, image_id=image_id, reader_id=view.user.id),
        ),
        bytes=image.n_bytes,
        preparation_id=image.preparation_id,
        specimen_id=specimen.id,
        specimen_code=specimen.code,
        signed_off=bool(specimens.sign_offs_of(view.session, [specimen.id])),
        reading=None if read is None else present_read(read),
        tile_size=TILE_PX,
        zoom_levels=state.job.zoom_levels,
        created_at=image.created_at,
        created_by=view.person(image.created_by),
        status_url=f"/api/images/{image.id}",
        also_in=[specimen_id for specimen_id in elsewhere if specimen_id != specimen.id],
        calibration_age_days=_calibration_age_days(view, state.job),
    )


def _calibration_age_days(view: View, job: Job) -> int | None:
    if job.calibration_id is None:
        return None
    return age_in_days(calibrations.read_calibration(view.session, job.calibration_id), utc_now())


def present_so_far(job: Job, *, is_withheld: bool) -> schemas.SoFarOut:
    """What a job found so far; nothing of it to a reader from whom candidates are withheld."""
    progress, seconds_left = progress_of(job)
    is_open = job.state in images.OPEN_STATES
    shown = (job.so_far or {}).get("shown", []) if is_open and not is_withheld else []
    return schemas.SoFarOut(
        state=job.state,  # type: ignore[arg-type]
        is_provisional=is_open,
        tiles_done=tiles_done_of(job),
        tiles_total=job.tiles_total,
        progress=progress,
        seconds_left=seconds_left,
        withheld=is_withheld,
        candidates=[schemas.SeenOut.model_validate(one) for one in shown],
    )


def present_read(state: ReadState) -> schemas.ReadingOut:
    """A read with its lock."""
    return schemas.ReadingOut(
        id=state.read.id,
        mode=state.read.mode,  # type: ignore[arg-type]
        locked_at=None if state.lock is None else state.lock.locked_at,
        shown_before=state.read.shown_before,
    )


def _summarize_image(
    state: ImageState, spoken: Sequence[Spoken], stated: ImageFileScale | None, *, is_withheld: bool
) -> dict[str, Any]:
    image, job = state.image, state.job
    progress, seconds_left = progress_of(job)
    return {
        "id": image.id,
        "file_name": image.file_name,
        "sha256": image.sha256,
        "width": image.width,
        "height": image.height,
        "state": job.state,
        "progress": progress,
        "seconds_left": seconds_left,
        "problem": job.problem,
        "calibration": _used_calibration(job),
        "file_scale": None if stated is None else schemas.FileScaleOut.model_validate(stated),
        "candidates": None if is_withheld else sum(one.candidate.is_above_cut for one in spoken),
        "unmarked": None if is_withheld else sum(needs_mark(one) for one in spoken),
    }


def _used_calibration(job: Job) -> schemas.UsedCalibration | None:
    if job.um_per_px is None or job.um_per_px_sd is None or job.calibration_source is None:
        return None
    return schemas.UsedCalibration(
        um_per_px=job.um_per_px,
        um_per_px_sd=job.um_per_px_sd,
        source=job.calibration_source,
        id=job.calibration_id,
    )


def present_specimen(view: View, specimen_id: int) -> schemas.SpecimenOut:
    """A specimen with all that its page needs."""
    session = view.session
    specimen = specimens.read_specimen(session, specimen_id)
    sign_off = specimens.sign_offs_of(session, [specimen_id]).get(specimen_id)
    looks = specimens.list_second_looks(session, specimen_id)
    return schemas.SpecimenOut(
        id=specimen.id,
        code=specimen.code,
        species=specimen.species,
        animal_label=specimen.animal_label,
        collected_on=specimen.collected_on,
        remarks=specimen.remarks,
        created_at=specimen.created_at,
        created_by=view.person(specimen.created_by),
        preparations=_present_preparations(view, specimen_id),
        signed_off=None
        if sign_off is None
        else schemas.Signature(
            by=view.person(sign_off.reader_id), at=sign_off.created_at, remark=sign_off.remark
        ),
        second_looks=[view.second_look(state, specimen) for state in looks],
    )


def _present_preparations(view: View, specimen_id: int) -> list[schemas.PreparationOut]:
    summaries = _image_summaries(view, [specimen_id])[specimen_id]
    return [
        schemas.PreparationOut(
            id=row.id,
            method=row.method,
            solution=row.solution,
            specific_gravity=row.specific_gravity,
            sample_g=row.sample_g,
            consistency=row.consistency,
            standing_min=row.standing_min,
            coverslip_mm=row.coverslip_mm,
            vial_ml=row.vial_ml,
            vial_mouth_mm=row.vial_mouth_mm,
            objectives=row.objectives,
            prepared_at=row.prepared_at,
            images=[summary for preparation_id, summary in summaries if preparation_id == row.id],
        )
        for row in specimens.list_preparations(view.session, specimen_id)
    ]


def _image_summaries(
    view: View, specimen_ids: Sequence[int]
) -> dict[int, list[tuple[int, schemas.ImageSummary]]]:
    """The images of each specimen, each with the id of its preparation."""
    states = images.list_image_states(view.session, specimen_ids)
    image_ids = [state.image.id for of_one in states.values() for state in of_one]
    withheld = reading.withheld_ids(view.session, image_ids, reader_id=view.user.id)
    stated = calibrations.file_scales_of(view.session, image_ids)
    spoken: dict[int, list[Spoken]] = {image_id: [] for image_id in image_ids}
    for one in reading.list_spoken(view.session, image_ids):
        spoken[one.candidate.image_id].append(one)
    return {
        specimen_id: [
            (
                state.image.preparation_id,
                schemas.ImageSummary(
                    **_summarize_image(
                        state,
                        spoken[state.image.id],
                        stated.get(state.image.id),
                        is_withheld=state.image.id in withheld,
                    )
                ),
            )
            for state in of_one
        ]
        for specimen_id, of_one in states.items()
    }


def present_specimens(view: View, rows: Sequence[Specimen]) -> list[schemas.SpecimenSummary]:
    """Specimens in a list; what is withheld from this person is not counted."""
    ids = [row.id for row in rows]
    summaries, sign_offs = _image_summaries(view, ids), specimens.sign_offs_of(view.session, ids)
    return [
        schemas.SpecimenSummary(
            id=row.id,
            code=row.code,
            species=row.species,
            animal_label=row.animal_label,
            created_at=row.created_at,
            signed_off_at=sign_offs[row.id].created_at if row.id in sign_offs else None,
            **_count_images([summary for _, summary in summaries[row.id]]),
        )
        for row in rows
    ]


def _count_images(of_one: Sequence[schemas.ImageSummary]) -> dict[str, int]:
    return {
        "images": len(of_one),
        "images_under_way": sum(summary.state in images.OPEN_STATES for summary in of_one),
        "images_failed": sum(summary.state in images.UNDONE_STATES for summary in of_one),
        "images_withheld": sum(summary.candidates is None for summary in of_one),
        "candidates": sum(summary.candidates or 0 for summary in of_one),
        "unmarked": sum(summary.unmarked or 0 for summary in of_one),
    }
