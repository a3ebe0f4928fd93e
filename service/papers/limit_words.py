"""What a picture can't show, and what practice says of a preparation, in the language of a paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from service.numbers import LIMITING_FIGURES, find_judged
from triage.preparation import COMMON_PRACTICE, Advice
from triage.visibility import LEAST_WIDTH_PX, choose_steps, cut_digits


def tell_limits(words: dict[str, Any], adequacy: Mapping[str, Any]) -> tuple[str, ...]:
    """What a picture can't show, a sentence a group.

    Parameters
    ----------
    words : dict
        All words of a language.
    adequacy : mapping
        As in the JSON of a proposal; one that was made before groups were judged by themselves will do.

    Returns
    -------
    sentences : tuple of str
        For instance `Giardia cyst: can't be assessed in this picture: the smallest is only 7 px wide, 12 are
        needed. Go to 40x.` None of them means only that no limit is known: without a scale none can be.
    """
    return tuple(
        words["limits"]["line"].format(
            group=words["groups"].get(name, name), why=tell_limit(words, find_judged(adequacy, name))
        )
        for name in adequacy["groups_not_resolvable"]
    )


def tell_limit(words: dict[str, Any], judged: Mapping[str, Any]) -> str:
    """Why a group can't be assessed, and what to do."""
    said = words["limits"]
    limits: Sequence[str] = judged.get("limited_by", ())
    if not limits:
        return str(said["plain"])
    why = said["and"].join(said[name].format(px=_tell_px(judged[LIMITING_FIGURES[name]])) for name in limits)
    steps = " ".join(said[step] for step in choose_steps(tuple(limits), judged["magnification"]))
    return str(said["judged"].format(why=why, least=f"{LEAST_WIDTH_PX:g}", steps=steps))


def tell_notes(words: dict[str, Any], adequacy: Mapping[str, Any]) -> tuple[str, ...]:
    """What else was remarked on a picture; as it was stored where that was before remarks had codes."""
    coded: Sequence[Mapping[str, Any]] | None = adequacy.get("coded_notes")
    if coded is None:
        return tuple(adequacy.get("notes", ()))
    return tuple(_tell_note(words, "notes", note["code"], note["values"]) for note in coded)


def tell_advice(words: dict[str, Any], advice: Advice) -> tuple[str, str]:
    """What practice says of a preparation, and the source."""
    source = words["advice"]["common_practice"] if advice.source == COMMON_PRACTICE else advice.source
    return _tell_note(words, "advice", advice.note.code, advice.note.values), str(source)


def _tell_note(words: dict[str, Any], table: str, code: str, values: Mapping[str, Any]) -> str:
    named = dict(values)
    if "group" in values:
        named["group"] = words["groups"].get(values["group"], values["group"])
    return str(words[table][code].format(**named))


def _tell_px(px: float | None) -> str:
    """Below what is needed, as the limit says, however it was rounded."""
    return f"{min(cut_digits(px or 0.0), cut_digits(LEAST_WIDTH_PX - 0.1)):g}"
