"""What readers find, and how far they agree: all of it for a veterinarian, one's own for each reader."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import APIRouter

from service.accounts import require_role
from service.dependencies import DatabaseDep, ReaderDep, UserDep
from service.present import View, view_for
from service.reader_answers import NOTHING, UNSURE, list_objects_said
from service.reader_schemas import (
    AgreementOut,
    ChangedOut,
    DifferenceOut,
    FindingOut,
    PairOut,
    ReaderFiguresOut,
    ReadersOut,
    ShareOut,
)
from service.readers_measured import (
    Agreement,
    PairAgreement,
    ReaderFigures,
    list_readers,
    measure_agreement,
    measure_reader,
)
from service.sensitivity import LEAST_OBJECTS
from triage.groups import find_group

router = APIRouter(tags=["readers"])
NOTES = (
    "From the 500 newest signed specimens. Only answers given before others' marks could be seen count: a "
    "first reader's, and those of blind second looks.",
    "What held at sign-off is taken for the truth, in pictures that two readers or more marked. It rests on "
    "their marks too, and what all of them missed is in no figure.",
    "No ranking: readers saw different slides, and some slides are harder.",
    f"Fewer than {LEAST_OBJECTS} objects say little about a reader (our choice, no source).",
    "For comparison: two trained readers of zinc sulfate flotation had kappas of 0.08 to 0.55 "
    "(Monarrez-Espino et al., Indian J Community Health, article 587). Figures of dog or cat slides were not "
    "found.",
)
_WORDS = {NOTHING: "Rejected or not seen", UNSURE: "Unsure"}


@router.get("/readers-measured")
def measure_readers(user: UserDep, database: DatabaseDep) -> ReadersOut:
    """Agreement of all readers, and the figures of each, in the order of their names."""
    require_role(user, "veterinarian")
    with database.read() as session:
        view, said = view_for(session, user), list_objects_said(session)
        figures = [measure_reader(said, reader_id) for reader_id in list_readers(said)]
        return _present(view, measure_agreement(said), figures, is_named=True)


@router.get("/readers-measured/me")
def measure_myself(user: ReaderDep, database: DatabaseDep) -> ReadersOut:
    """Agreement of all readers without their names, and your own figures."""
    with database.read() as session:
        view, said = view_for(session, user), list_objects_said(session)
        return _present(view, measure_agreement(said), [measure_reader(said, user.id)], is_named=False)


def _present(
    view: View, agreement: Agreement, figures: Sequence[ReaderFigures], *, is_named: bool
) -> ReadersOut:
    shown = [_present_figures(view, one) for one in figures]
    return ReadersOut(
        agreement=_present_agreement(view, agreement, is_named=is_named),
        readers=sorted(shown, key=lambda one: one.reader.display_name.casefold()),
        notes=list(NOTES),
    )


def _present_figures(view: View, one: ReaderFigures) -> ReaderFiguresOut:
    return ReaderFiguresOut(
        reader=view.person(one.reader_id),
        unaided=FindingOut.model_validate(one.unaided),
        aided=FindingOut.model_validate(one.aided),
        changed=ChangedOut.model_validate(one.changed),
    )


def _present_agreement(view: View, agreement: Agreement, *, is_named: bool) -> AgreementOut:
    return AgreementOut(
        n_objects=agreement.n_objects,
        n_readers=agreement.n_readers,
        n_specimens=agreement.n_specimens,
        is_few=agreement.n_objects < LEAST_OBJECTS,
        alpha=agreement.alpha,
        fleiss=agreement.fleiss,
        n_fleiss=agreement.n_fleiss,
        readers_each=agreement.readers_each,
        pairs=[_present_pair(view, pair) for pair in agreement.pairs] if is_named else [],
        differences=[
            DifferenceOut(one=_to_words(one), other=_to_words(other), n=n)
            for one, other, n in agreement.differences
        ],
    )


def _present_pair(view: View, pair: PairAgreement) -> PairOut:
    one, other = sorted(
        (view.person(reader_id) for reader_id in pair.reader_ids), key=lambda who: who.display_name.casefold()
    )
    return PairOut(readers=(one, other), same=ShareOut.model_validate(pair.same), kappa=pair.kappa)


def _to_words(answer: str) -> str:
    return _WORDS.get(answer) or find_group(answer).label
