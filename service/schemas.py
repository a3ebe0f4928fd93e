"""Request and response bodies; units end the names."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints

from triage.flotation import LEAST_GRAVITY, MOST_GRAVITY

MAX_ID = 2**31 - 1


def _without_control_characters(text: str) -> str:
    if any(ord(character) < 32 and character not in "\n\t" for character in text):
        raise ValueError("must not hold control characters")
    return text


def _on_one_line(text: str) -> str:
    if any(ord(character) < 32 for character in text):
        raise ValueError("must be one line without control characters")
    return text


Name = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=80), AfterValidator(_on_one_line)
]
Line = Annotated[str, StringConstraints(strip_whitespace=True, max_length=200), AfterValidator(_on_one_line)]
FilledLine = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200), AfterValidator(_on_one_line)
]
Remark = Annotated[
    str,
    StringConstraints(strip_whitespace=True, max_length=4000),
    AfterValidator(_without_control_characters),
]
Id = Annotated[int, Field(ge=1, le=MAX_ID)]
Password = Annotated[str, Field(min_length=1, max_length=1000)]
Secret = Annotated[str, Field(min_length=1, max_length=200)]
Role = Literal["assistant", "reader", "veterinarian", "administrator"]
Real = Annotated[float, Field(allow_inf_nan=False)]
Answer = Literal["confirm", "reject", "unsure"]
Mode = Literal["aided", "unaided"]
State = Literal["waiting", "proposing", "ready", "failed", "stopped"]
Consistency = Literal["formed", "soft", "slurry", "liquid"]
Millimetres = Annotated[float, Field(gt=0, le=100)]
Objectives = Annotated[list[Annotated[float, Field(gt=0, le=200)]], Field(min_length=1, max_length=10)]


class Body(BaseModel):
    """A request body; unknown keys are refused, so that a slip of the pen is seen."""

    model_config = ConfigDict(extra="forbid")


class Answered(BaseModel):
    """A response body."""

    model_config = ConfigDict(from_attributes=True)


class Health(Answered):
    """Whether the service is there."""

    status: Literal["ok"]
    version: str
    detector: str


class Person(Answered):
    """Who did something."""

    id: int
    display_name: str


class UserOut(Person):
    """A person who signs in."""

    role: str


class SignedInUser(UserOut):
    """The person who is asking."""

    user_name: str


class SessionIn(Body):
    """User name and password."""

    user_name: Name
    password: Password


class HospitalOut(Answered):
    """A hospital that a person works in, with the role there."""

    id: int
    name: str
    role: str


class SessionOut(Answered):
    """Who is signed in and where they work, and what a page sends in `X-CSRF-Token` with every change."""

    user: SignedInUser
    csrf_token: str | None
    hospital: HospitalOut
    hospitals: list[HospitalOut]


class HospitalIn(Body):
    """The hospital to go on in."""

    hospital_id: Id


class PasswordIn(Body):
    """The password that is, and the one that is to be."""

    old: Password
    new: Password


class SignInOut(Answered):
    """One of your own sign-ins that has not ended."""

    id: int
    address: str
    browser: str
    created_at: datetime
    last_used_at: datetime
    expires_at: datetime
    this_one: bool


class RoleIn(Body):
    """A role in the hospital that the administrator works in."""

    role: Role


class InvitationIn(RoleIn):
    """Who is invited, and as what."""

    display_name: Name


class InvitationOut(Answered):
    """An invitation that nobody has used yet."""

    id: int
    display_name: str
    role: str
    created_at: datetime
    created_by: Person | None
    expires_at: datetime


class NewLink(Answered):
    """A link that lets somebody in once; it is shown this once."""

    path: str
    expires_at: datetime


class LinkIn(Body):
    """The secret of a one-time link: what stands after the `#`."""

    secret: Secret


class LinkOut(Answered):
    """What a link offers: an invitation as `role`, or a new password for `user_name`."""

    kind: Literal["invitation", "password"]
    hospital: str
    display_name: str
    role: str | None
    user_name: str | None


class LinkUseIn(LinkIn):
    """A password, and with an invitation a user name; `has_account` says that both are there already."""

    password: Password
    user_name: Name | None = None
    has_account: bool = False


class LinkUsed(Answered):
    """The user name to sign in with."""

    user_name: str


class TokenIn(Body):
    """What the token is for, and what it may do: at most what you may; left out, the same."""

    name: Name
    role: Role | None = None


class TokenOut(Answered):
    """A bearer token's record; `last_used_at` is kept to the minute."""

    id: int
    name: str
    role: str
    created_at: datetime
    last_used_at: datetime | None


class NewToken(TokenOut):
    """A bearer token, shown this once."""

    token: str


class GroupOut(Answered):
    """One row of the group table."""

    name: str
    kind: Literal["candidate", "look_alike"]
    label: str
    appearance: str


class FileScaleOut(Answered):
    """What a picture's file says of its own scale; nothing uses it until a person confirms it."""

    um_per_px: float
    source: str


class PreparationIn(Body):
    """How a coverslip was made."""

    method: Literal["passive", "centrifuged"]
    solution: FilledLine
    specific_gravity: Annotated[float, Field(ge=LEAST_GRAVITY, le=MOST_GRAVITY)] | None = None
    sample_g: Annotated[float, Field(gt=0, le=1000)] | None = None
    consistency: Consistency | None = None
    standing_min: Annotated[float, Field(ge=0, le=24 * 60)] | None = None
    coverslip_mm: Millimetres | None = None
    vial_ml: Annotated[float, Field(gt=0, le=1000)] | None = None
    vial_mouth_mm: Millimetres | None = None
    objectives: Annotated[
        Objectives | None, Field(description="Magnifications that the coverslip was looked at with.")
    ] = None
    prepared_at: datetime | None = None


class PreparationFacts(Body):
    """What is known so far of a preparation and its sample; all may be left out."""

    method: Literal["passive", "centrifuged"] | None = None
    solution: Line | None = None
    specific_gravity: Real | None = None
    standing_min: Annotated[float, Field(ge=0, le=24 * 60)] | None = None
    sample_g: Annotated[float, Field(gt=0, le=1000)] | None = None
    consistency: Consistency | None = None
    coverslip_mm: Millimetres | None = None
    vial_ml: Annotated[float, Field(gt=0, le=1000)] | None = None
    vial_mouth_mm: Millimetres | None = None
    objectives: Objectives | None = None
    prepared_at: AwareDatetime | None = None
    species: Literal["dog", "cat", "other"] | None = None
    hours_since_collection: Annotated[float, Field(ge=0, le=100_000)] | None = None
    collected_on: Annotated[date | None, Field(description="Asked for where the hours aren't given.")] = None
    filed_at: Annotated[
        AwareDatetime | None, Field(description="The moment that ages are counted to; now when left out.")
    ] = None


class AdviceOut(Answered):
    """What practice says of one fact; `field` is the fact's name when it is filed."""

    rule: str
    field: str | None
    text: str
    source: str
    level: Literal["consider", "fine"]


class SpecimenIn(Body):
    """The sample of one animal, with its first preparation."""

    code: Name
    species: Literal["dog", "cat", "other"]
    animal_label: Line = ""
    collected_on: date | None = None
    remarks: Remark = ""
    preparation: PreparationIn


class UsedCalibration(Answered):
    """The scale that an image's candidates were measured with."""

    um_per_px: float
    um_per_px_sd: float
    source: str
    id: int | None


class ReadingOut(Answered):
    """How the asking reader reads an image."""

    id: int
    mode: Mode
    locked_at: datetime | None
    shown_before: Annotated[
        bool, Field(description="Whether this reader had been shown the candidates when the read began.")
    ]


class ImageSummary(Answered):
    """An image in the list of its preparation; counts are null while they are withheld from the reader."""

    id: int
    file_name: str
    sha256: str
    width: int
    height: int
    state: State
    progress: float
    seconds_left: float | None
    problem: str | None
    calibration: UsedCalibration | None
    file_scale: Annotated[
        FileScaleOut | None, Field(description="What the file says of its own scale; only a proposal.")
    ]
    candidates: int | None
    unmarked: int | None


class ImageOut(ImageSummary):
    """An image with all that its page needs."""

    bytes: int
    preparation_id: int
    specimen_id: int
    specimen_code: str
    signed_off: bool
    reading: ReadingOut | None
    tile_size: int
    zoom_levels: Annotated[int | None, Field(description="Null until the viewer's copy is written.")]
    created_at: datetime
    created_by: Person
    status_url: str
    also_in: Annotated[list[int], Field(description="Other specimens that hold a picture of the same bytes.")]
    calibration_age_days: Annotated[
        int | None,
        Field(description="Whole days since the calibration used was put on record; null where none was."),
    ]


class UploadOut(Answered):
    """An upload that comes in parts, and what became of it."""

    id: int
    file_name: str
    bytes: Annotated[int, Field(description="Of the whole file.")]
    offset: Annotated[int, Field(description="Bytes that have come.")]
    state: Literal["receiving", "checking", "held", "stored", "refused", "cancelled", "expired"]
    problem: str | None
    upload_url: str
    image_id: int | None
    image_url: str | None
    created_at: datetime
    expires_at: Annotated[datetime | None, Field(description="When it is removed if nothing more comes.")]


class PreparationOut(Answered):
    """A preparation with its images."""

    id: int
    method: str
    solution: str
    specific_gravity: float | None
    sample_g: float | None
    consistency: str | None
    standing_min: float | None
    coverslip_mm: float | None
    vial_ml: float | None
    vial_mouth_mm: float | None
    objectives: list[float] | None
    prepared_at: datetime | None
    images: list[ImageSummary]


class Signature(Answered):
    """Who signed off, and when."""

    by: Person
    at: datetime
    remark: str | None


class SecondLookIn(Body):
    """Who shall read again (null: anybody), and whether without seeing what others said."""

    reader_id: Id | None = None
    blind: bool = False


class SecondLookOut(Answered):
    """A wish that another reader reads a specimen."""

    id: int
    specimen_id: int
    specimen_code: str
    asked_by: Person
    reader: Annotated[Person | None, Field(description="Who was asked or took it; null: whoever is free.")]
    claimed_at: Annotated[
        datetime | None, Field(description="When its reader took it, where none was named.")
    ]
    blind: bool
    created_at: datetime
    closed_at: datetime | None


class SpecimenSummary(Answered):
    """A specimen in the list; what is withheld from the asking reader is not counted as a candidate."""

    id: int
    code: str
    species: str
    animal_label: str
    created_at: datetime
    images: int
    images_under_way: Annotated[int, Field(description="Images whose candidates aren't there yet.")]
    images_failed: Annotated[int, Field(description="Images for which no candidates could be proposed.")]
    images_withheld: Annotated[
        int, Field(description="Images that this reader reads unaided, not locked yet.")
    ]
    candidates: int
    unmarked: int
    signed_off_at: datetime | None


class SpecimenOut(Answered):
    """A specimen with all that its page needs."""

    id: int
    code: str
    species: str
    animal_label: str
    collected_on: date | None
    remarks: str
    created_at: datetime
    created_by: Person
    preparations: list[PreparationOut]
    signed_off: Signature | None
    second_looks: list[SecondLookOut]


class MarkIn(Body):
    """A reader's answer."""

    answer: Answer
    group: Name | None = None
    reason: Name | None = None
    remark: Remark | None = None
    replaces: Id | None = None


class MarkOut(Answered):
    """A reader's answer on record."""

    id: int
    answer: Answer
    group: str | None
    reason: str | None
    remark: str | None
    reader: Person
    created_at: datetime
    replaces: int | None


class AdjudicationIn(Body):
    """What settles marks that differ."""

    answer: Answer
    group: Name | None = None
    reason: Name | None = None
    remark: Remark | None = None


class CandidateOut(Answered):
    """A candidate as `propose` says it, with its id and what readers said of it."""

    model_config = ConfigDict(extra="allow")

    id: int
    origin: Literal["tool", "reader"]
    rank: int | None
    bbox: list[float]
    score: float | None
    group: str
    below_cut: bool
    drawn_by: Person | None
    marks: list[MarkOut]
    withdrawn: Annotated[list[MarkOut], Field(description="Marks that their readers took back.")]
    adjudication: MarkOut | None
    settled_together: Annotated[
        list[Person], Field(description="Readers who differed and agreed on the adjudication; else empty.")
    ] = []
    current: MarkOut | None
    unsettled: bool
    drawn_alone: Annotated[
        bool, Field(description="Of several readers of the picture one drew it, and no other spoke of it.")
    ] = False


class CandidatesOut(Answered):
    """The ranked candidates of one image, those below the cut apart, and the objects that readers added."""

    image: dict[str, Any]
    calibration: dict[str, Any] | None
    detector: dict[str, Any] | None
    adequacy: dict[str, Any] | None
    caution: str | None
    default_cut: float | None
    withheld: bool
    candidates: list[CandidateOut]
    below_cut: list[CandidateOut]
    objects: list[CandidateOut]


class SeenOut(Answered):
    """A place that may become a candidate: `bbox` as in a candidate, without id, rank or size."""

    bbox: list[float]
    score: float
    group: str


class SoFarOut(Answered):
    """The best found so far in a picture that is still looked through: not final, and not to be marked."""

    state: State
    is_provisional: Annotated[bool, Field(description="False once the candidates themselves are there.")]
    tiles_done: int
    tiles_total: Annotated[int | None, Field(description="Null until the work is planned.")]
    progress: float
    seconds_left: float | None
    withheld: bool
    candidates: Annotated[list[SeenOut], Field(description="Best first.")]


class ObjectIn(Body):
    """An object that the tool missed: `x, y, width, height` in pixels of the upright image."""

    bbox: Annotated[list[Real], Field(min_length=4, max_length=4)]
    group: Name
    remark: Remark | None = None


class ProposalIn(Body):
    """The scale for a new set of candidates; the old set stays on record."""

    calibration_id: Id | None = None
    um_per_px: Real | None = None
    um_per_px_sd: Real | None = None
    measurement_id: Annotated[
        Id | None, Field(description="Measured on this image itself; to take it is to confirm it.")
    ] = None
    confirm_file_scale: Annotated[
        bool, Field(description="True takes what the file says of its scale, as the asking person confirms.")
    ] = False
    detector_sha256: Annotated[
        str | None,
        Field(
            pattern="^[0-9a-f]{64}$",
            description="Weights of another detector to propose by, beside the one in use; null: that one.",
        ),
    ] = None


class ReadIn(Body):
    """How an image is about to be read."""

    mode: Mode


class LockOut(Answered):
    """When an unaided read ended."""

    locked_at: datetime


class SignOffIn(Body):
    """What the reader wants to add."""

    remark: Remark | None = None


class LabelledSetIn(Body):
    """Which signed-off specimens go in; null: all."""

    specimen_ids: Annotated[list[Id], Field(min_length=1, max_length=100_000)] | None = None


class LabelledSetOut(Answered):
    """An export."""

    id: int
    images: int
    annotations: int
    left_out: Annotated[
        list[int], Field(description="Images left out, because an older specimen holds the same bytes.")
    ]
    created_at: datetime
    created_by: Person
    download_url: str
