"""Takes over the work of machines that never come back.

Every machine says that it is alive, several times in the span after which the others hold it for lost. What a
lost machine had begun goes back to the queue; steps that are done stay done. Should the machine come back in
the middle of a step after all, that step is done twice, to the same result.
"""

from __future__ import annotations

import logging
import threading
from datetime import timedelta

from dbos import DBOS

from service.store import machines
from service.store.database import Database
from service.store.models import utc_now

LOG = logging.getLogger(__name__)
SIGNS_IN_A_SPAN = 6


class Takeover:
    """Says that this machine is alive, and looks after the others, in a thread of its own.

    Parameters
    ----------
    database : Database
    name : str
        Of this machine; no other may have the same.
    silent_s : float
        Seconds without a sign after which a machine counts as lost.
    queue : str
        Where its work goes.
    """

    def __init__(self, database: Database, name: str, *, silent_s: float, queue: str) -> None:
        self._database = database
        self._name = name
        self._silence = timedelta(seconds=silent_s)
        self._queue = queue
        self._is_stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="takeover", daemon=True)

    def start(self) -> None:
        """Begin, with a first sign before anything else."""
        self._look_around()
        self._thread.start()

    def stop(self) -> None:
        """End; this machine's own work is resumed at its next start, or by another."""
        self._is_stopping.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._is_stopping.wait(self._silence.total_seconds() / SIGNS_IN_A_SPAN):
            try:
                self._look_around()
            except Exception:
                # A database that doesn't answer now may answer at the next sign.
                LOG.exception("This machine could not say that it is alive")

    def _look_around(self) -> None:
        now = utc_now()
        with self._database.write() as session:
            machines.note_alive(session, self._name, now)
            silent = machines.list_silent(session, since=now - self._silence)
        for name in silent:
            self._take_over(name)

    def _take_over(self, name: str) -> None:
        now = utc_now()
        with self._database.write() as session:
            if not machines.claim_silent(session, name, since=now - self._silence, at=now):
                return
        begun = DBOS.list_workflows(
            status="PENDING", executor_id=name, app_version=DBOS.application_version, load_input=False
        )
        for workflow in begun:
            LOG.warning("Machine %s is silent; %s goes on elsewhere", name, workflow.workflow_id)
            DBOS.resume_workflow(workflow.workflow_id, queue_name=workflow.queue_name or self._queue)
        with self._database.write() as session:
            machines.forget(session, name, claimed_at=now)
