"""What a reading record holds, gathered from the records."""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from service.amending import list_signed
from service.numbers import count_specimen
from service.objects_counted import count_objects
from service.own_version import read_own_version
from service.papers.count_words import tell_area, tell_group, tell_not_assessed, tell_remarks
from service.papers.limit_words import tell_advice, tell_limits, tell_notes
from service.papers.object_words import name_objects, tell_size, tell_who
from service.papers.reading_course import tell_changes, tell_rules, tell_tails, tell_time
from service.present import View
from service.settle import current_answer, needs_mark
from service.store import calibrations, event_log, images, reading, specimens, versions
from service.store.images import ImageState
from service.store.models import Preparation, ProposalRow, Specimen, utc_now
from service.store.reading import Spoken
from triage.preparation import Advice

MOST_CROPS = 60
Crop = Callable[[Spoken], bytes | None]
Advise = Callable[[Specimen, Preparation], Sequence[Advice]]


def gather_common(view: View, specimen: Specimen, words: dict[str, Any]) -> dict[str, Any]:
    """What every paper of a specimen says."""
    states = images.list_image_states(view.session, [specimen.id])[specimen.id]
    proposals = images.newest_proposals(view.session, [state.image.id for state in states])
    return {
        "words": words,
        "code": specimen.code,
        "animal": specimen.animal_label,
        "species": words["species"][specimen.species],
        "collected": specimen.collected_on.isoformat() if specimen.collected_on else None,
        "printed": tell_time(utc_now()),
        "numbers": gather_numbers(view, specimen.id, words),
        "limits": _gather_limits(states, proposals, words),
    }


def gather_numbers(view: View, specimen_id: int, words: dict[str, Any]) -> list[dict[str, Any]]:
    """The numbers of each coverslip, as sentences."""
    return [
        {
            "title": words["numbers"]["preparation"].format(number=number),
            "area": tell_area(words, one),
            "groups": _join_same(
                (words["groups"][of.group], tell_group(words, of, one)) for of in one.groups
            ),
            "not_assessed": tell_not_assessed(words, one),
            "remarks": tell_remarks(words, one),
        }
        for number, one in enumerate(count_specimen(view.session, specimen_id), start=1)
    ]


def gather_record(
    view: View, specimen: Specimen, words: dict[str, Any], *, crop: Crop, advise: Advise, reminder_days: int
) -> dict[str, Any]:
    """All that a reading record holds.

    Parameters
    ----------
    crop : callable
        A picture of a candidate as JPEG, or None where there is none yet.
    advise : callable
        What practice says of a preparation.
    reminder_days : int
        Age beyond which a calibration is called old.
    """
    session = view.session
    states = images.list_image_states(session, [specimen.id])[specimen.id]
    image_ids = [state.image.id for state in states]
    proposals = images.newest_proposals(session, image_ids)
    spoken = reading.list_spoken(session, image_ids)
    names = {state.image.id: state.image.file_name for state in states}
    objects = name_objects(spoken, words)
    return {
        **gather_common(view, specimen, words),
        **_gather_signatures(view, specimen.id, words),
        "preparations": [
            _gather_preparation(row, advise(specimen, row), words)
            for row in specimens.list_preparations(session, specimen.id)
        ],
        "pictures": [
            _gather_picture(view, state, proposals.get(state.image.id), words, reminder_days)
            for state in states
        ],
        "objects": _gather_objects(view, spoken, objects, names, words, crop),
        "rejected": _list_rejected(spoken, words),
        "unmarked": sum(needs_mark(one) for one in spoken),
        "rules": tell_rules(view, specimen.id, words),
        "readers": _gather_readers(view, specimen.id, image_ids, words),
        "changes": tell_changes(view, names, objects, words),
        "tails": tell_tails(view, names, words),
    }


def _join_same(pairs: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Names that the same is said of share one row, where the first of them stood."""
    rows: dict[str, list[str]] = {}
    for name, sentence in pairs:
        rows.setdefault(sentence, []).append(name)
    return [("; ".join(names), sentence) for sentence, names in rows.items()]


def _gather_limits(
    states: Sequence[ImageState], proposals: dict[int, ProposalRow], words: dict[str, Any]
) -> list[tuple[str, list[str]]]:
    """What pictures could not show, and what else was remarked on them, by the names of the pictures."""
    limits: dict[tuple[str, ...], list[str]] = {}
    for state in states:
        proposal = proposals.get(state.image.id)
        adequacy = {} if proposal is None else proposal.head.get("adequacy") or {}
        told = (*tell_limits(words, adequacy), *tell_notes(words, adequacy)) if adequacy else ()
        if told:
            limits.setdefault(told, []).append(state.image.file_name)
    return [(", ".join(names), list(told)) for told, names in limits.items()]


def _gather_signatures(view: View, specimen_id: int, words: dict[str, Any]) -> dict[str, Any]:
    said = words["record"]
    signed = specimens.sign_offs_of(view.session, [specimen_id]).get(specimen_id)
    opened = versions.find_open_amendment(view.session, specimen_id)
    state = said["draft"] if opened is None else said["amended"]
    if signed is not None:
        name = view.names[signed.reader_id]
        state = said["signed"].format(name=name, at=tell_time(signed.created_at), number=signed.number)
    lines = []
    for one in list_signed(view.session, specimen_id):
        row = one.version
        words_of = [
            said["version"].format(
                number=row.number, name=view.names[row.signed_by], at=tell_time(row.signed_at)
            )
        ]
        if one.amendment is not None:
            words_of += [
                said["version_reason"].format(
                    name=view.names[one.amendment.opened_by],
                    at=tell_time(one.amendment.opened_at),
                    reason=one.amendment.reason,
                ),
                said["version_changes"].format(n=len(one.changes)),
            ]
        if row.remark:
            words_of.append(said["signed_remark"].format(remark=row.remark))
        lines.append(" ".join(words_of))
    entry = None
    for logged in event_log.list_entries(view.session, specimen_id=specimen_id):
        entry = said["log"].format(number=logged.number, sha256=logged.sha256)
    return {"state": state, "is_signed": signed is not None, "versions": lines, "log": entry}


def _gather_preparation(row: Preparation, advice: Sequence[Advice], words: dict[str, Any]) -> dict[str, Any]:
    said = words["record"]
    vial = " ".join(filter(None, [_unit(row.vial_ml, "ml"), _unit(row.vial_mouth_mm, "mm")]))
    facts = [
        (said["method"], said[f"methods_{row.method}"]),
        (said["solution"], row.solution),
        (said["gravity"], None if row.specific_gravity is None else f"{row.specific_gravity:g}"),
        (said["mass"], _unit(row.sample_g, "g")),
        (said["consistency"], row.consistency and said[f"consistency_{row.consistency}"]),
        (said["standing"], _unit(row.standing_min, "min")),
        (said["coverslip"], _unit(row.coverslip_mm, "mm")),
        (said["vial"], vial),
        (said["objectives"], ", ".join(f"{one:g}x" for one in row.objectives or ())),
        (said["prepared"], tell_time(row.prepared_at) if row.prepared_at else None),
    ]
    return {
        "facts": [(name, value or words["common"]["unknown"]) for name, value in facts],
        "advice": [tell_advice(words, one) for one in advice if one.level == "consider"],
    }


def _gather_picture(
    view: View, state: ImageState, proposal: ProposalRow | None, words: dict[str, Any], reminder_days: int
) -> dict[str, Any]:
    said, job, image = words["record"], state.job, state.image
    scale = said["scale_unknown"]
    if job.um_per_px is not None:
        sd = "?" if job.um_per_px_sd is None else f"{job.um_per_px_sd:.2g}"
        parts = [said["scale_value"].format(um=f"{job.um_per_px:.4g}", sd=sd), job.calibration_source or ""]
        if job.calibration_id is not None:
            row = calibrations.read_calibration(view.session, job.calibration_id)
            days = max(0, (image.created_at - row.created_at).days)
            parts += [f"{row.microscope}, {row.objective}", said["scale_age"].format(days=days)]
            parts += [said["scale_old"].format(days=reminder_days)] if days > reminder_days else []
        scale = "; ".join(filter(None, parts))
    tool = said["tool_none"].format(version=read_own_version())
    if proposal is not None:
        tool = said["tool_value"].format(
            version=read_own_version(), detector=proposal.detector_name, sha256=proposal.detector_sha256
        )
    return {
        "name": image.file_name,
        "sha256": image.sha256,
        "facts": [
            (said["size"], f"{image.width} x {image.height} px"),
            (said["scale"], scale),
            (said["tool"], tool),
        ],
    }


def _gather_objects(
    view: View,
    spoken: Sequence[Spoken],
    objects: dict[int, str],
    pictures: dict[int, str],
    words: dict[str, Any],
    crop: Crop,
) -> list[dict[str, Any]]:
    unsure = [one for one in spoken if (answer := current_answer(one)) and answer.answer == "unsure"]
    listed = [
        *((one.spoken[0], words["record"]["confirmed"], one) for one in count_objects(spoken)),
        *((one, words["record"]["unsure"], None) for one in unsure),
    ]
    gathered = []
    for number, (one, answer, counted) in enumerate(listed):
        group = counted.group if counted is not None else one.candidate.group
        name = words["groups"].get(group, group)
        if counted is not None and counted.other_groups:
            others = ", ".join(words["groups"].get(other, other) for other in counted.other_groups)
            name = words["record"]["two_groups"].format(group=name, others=others)
        data = crop(one) if number < MOST_CROPS else None
        gathered.append(
            {
                "group": name if counted is not None else words["record"]["resembles"].format(group=name),
                "answer": answer,
                "size": tell_size(one, words),
                "name": objects[one.candidate.id],
                "where": words["record"]["where"].format(
                    object=objects[one.candidate.id], picture=pictures[one.candidate.image_id]
                ),
                "by": tell_who(view, counted.spoken if counted else (one,), words),
                "crop": None if data is None else f"data:image/jpeg;base64,{base64.b64encode(data).decode()}",
            }
        )
    return gathered


def _list_rejected(spoken: Sequence[Spoken], words: dict[str, Any]) -> str | None:
    reasons = Counter(
        answer.reason
        for one in spoken
        if (answer := current_answer(one)) is not None and answer.answer == "reject" and answer.reason
    )
    if not reasons:
        return None
    listed = ", ".join(f"{words['look_alikes'].get(name, name)} {n}" for name, n in reasons.most_common())
    return str(words["record"]["rejected"].format(list=listed))


def _gather_readers(
    view: View, specimen_id: int, image_ids: Sequence[int], words: dict[str, Any]
) -> list[str]:
    said = words["record"]
    modes: dict[int, str] = {}
    for state in reading.list_reads(view.session, image_ids):
        if modes.get(state.read.reader_id) != "unaided":
            modes[state.read.reader_id] = state.read.mode
    lines = [said[f"read_{mode}"].format(name=view.names[reader]) for reader, mode in modes.items()]
    for look in specimens.list_second_looks(view.session, specimen_id):
        if look.closing is not None:
            how = said["second_look_blind"] if look.look.is_blind else said["second_look_open"]
            lines.append(said["second_look"].format(name=view.names[look.closing.closed_by], how=how))
    return lines


def _unit(value: float | None, unit: str) -> str | None:
    return None if value is None else f"{value:g} {unit}"
