"""What a person must not be told yet: others' answers in a blind look, candidates in an unaided read."""

from __future__ import annotations

from service.errors import ConflictError
from service.present import View, is_blinded
from service.store import images, reading


def refuse_if_hidden(view: View, specimen_id: int) -> None:
    """Let nobody see a whole specimen from whom something of it is kept back.

    Raises
    ------
    ConflictError
        If this person has an open unaided read of one of its pictures, or an open blind second look of it.
    """
    states = images.list_image_states(view.session, [specimen_id])[specimen_id]
    for state in states:
        if reading.is_withheld(view.session, image_id=state.image.id, reader_id=view.user.id):
            raise ConflictError(
                f"Your unaided read of {state.image.file_name} is open. Lock it to see the whole record."
            )
    if is_blinded(view, specimen_id):
        raise ConflictError(
            "A blind second look of this specimen waits for you. Close it to see the whole record."
        )
