"""Request and response bodies of labelled sets."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from pydantic import Field, model_validator

from service.schemas import Answered, LabelledSetIn, LabelledSetOut
from service.set_rule import Rule


class SetRuleIn(LabelledSetIn):
    """By what rule signed-off specimens and their pictures go in."""

    signed_from: Annotated[date | None, Field(description="First day of the sign-off, in UTC.")] = None
    signed_until: Annotated[date | None, Field(description="Last day of the sign-off, in UTC.")] = None
    microscopes: Annotated[
        list[str] | None,
        Field(min_length=1, max_length=200, description="Names of microscopes, as calibrations have them."),
    ] = None
    least_readers: Annotated[int, Field(ge=1, le=9, description="Readers of each picture, at least.")] = 1
    settled_only: Annotated[
        bool, Field(description="Leave out pictures in which readers differ and nothing settles it.")
    ] = False

    @model_validator(mode="after")
    def _in_order(self) -> SetRuleIn:
        if self.signed_from and self.signed_until and self.signed_from > self.signed_until:
            raise ValueError(
                f"signed_from is {self.signed_from}, after signed_until, {self.signed_until}; swap them"
            )
        return self

    def to_rule(self) -> Rule:
        """The same as the rule that the export takes."""
        return Rule(
            specimen_ids=None if self.specimen_ids is None else tuple(self.specimen_ids),
            signed_from=self.signed_from,
            signed_until=self.signed_until,
            microscopes=None if self.microscopes is None else tuple(self.microscopes),
            least_readers=self.least_readers,
            settled_only=self.settled_only,
        )


class SetVersionOut(Answered):
    """One labelled set with its rule, its hashes and what it holds."""

    set: LabelledSetOut
    rule: dict[str, Any] | None
    manifest_sha256: str | None
    zip_sha256: str | None
    report: Annotated[dict[str, Any] | None, Field(description="None for sets made before this was kept.")]


class NextPictureOut(Answered):
    """A picture that nobody marked, by how much marking it would teach.

    `doubt` sums over its candidates how close each is to a toss-up; `novelty` is how unlike those labelled or
    ranked before it is, in standard deviations.
    """

    rank: int
    image_id: int
    file_name: str
    specimen_id: int
    specimen_code: str
    doubt: float
    novelty: float
