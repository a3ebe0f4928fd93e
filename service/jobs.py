"""Durable background work: one workflow for each job, cut into steps that survive a kill.

A workflow is: prepare (pyramid, plan) -> detect batch 0, 1, ... -> conclude. The engine remembers which steps
are done; each batch is also kept as a file of its own, so that a step that runs twice does no batch again.
Candidates are stored once for each job.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Any

from dbos import DBOS, DBOSConfig, DBOSPortableJSONSerializer, SetWorkflowID

from service.files import Files
from service.settings import Settings
from service.steps import DetectorSource, Task
from service.store import calibrations, images, specimens
from service.store.database import Database
from service.store.models import Job
from service.workers import ChildWorker, LocalWorker, Worker, WorkerDiedError, WorkerPool
from triage.errors import TriageError
from triage.records import Detector
from triage.weights import read_record, shipped_folder

LOG = logging.getLogger(__name__)
QUEUE = "proposals"
# Another order of steps needs another number: the engine resumes a workflow only where it is the same.
WORKFLOW_FORM = 1
TRIES_AFTER_CRASH = 3
# Animals for which published sizes are listed apart.
HOSTS = ("dog", "cat")
ENDED = ("SUCCESS", "ERROR", "CANCELLED", "MAX_RECOVERY_ATTEMPTS_EXCEEDED")


class StoppingError(BaseException):
    """The service stops; not an `Exception`, so that the engine leaves the workflow to be resumed."""


class Jobs:
    """Starts, resumes and stops the work of proposing candidates.

    Parameters
    ----------
    detector : Detector, optional
        Used instead of the weights that the settings name.

    Raises
    ------
    WeightsError
        If the weights are missing or damaged.
    """

    def __init__(
        self, settings: Settings, database: Database, files: Files, detector: Detector | None = None
    ) -> None:
        self._settings = settings
        self._database = database
        self._files = files
        self._source = DetectorSource(settings.weights_folder, settings.detector_threads, detector)
        about = detector or read_record(settings.weights_folder or shipped_folder())
        self.detector_name = about.name
        self._weights_sha256 = about.weights_sha256
        self._is_stopping = False
        self._pool = WorkerPool([self._new_worker() for _ in range(settings.workers)])
        # Looking at an upload must not wait for a detector at work.
        self._looking = WorkerPool([self._new_worker()])
        # Nor must looking wait for a ruling that is searched.
        self._measuring = WorkerPool([self._new_worker()])

    def start(self) -> None:
        """Start the engine, and resume what a stop or a kill cut off."""
        DBOS.destroy(destroy_registry=True)
        DBOS(config=self._config())
        self._workflow = self._register_workflow()
        DBOS.launch()
        DBOS.register_queue(
            QUEUE,
            worker_concurrency=self._settings.workers,
            polling_interval_sec=0.25,
            on_conflict="always_update",
        )
        self._restart_lost_jobs()

    def stop(self) -> None:
        """End the work where it is; the next start resumes it."""
        self._is_stopping = True
        self._pool.close()
        self._looking.close()
        self._measuring.close()
        DBOS.destroy(destroy_registry=True)

    def look(self, received_path: Any, file_name: str) -> dict[str, Any]:
        """Width, height and what the file says of its scale, after an upload was decoded once.

        Raises
        ------
        ImageError
            If it is no picture that can be read.
        """
        with self._looking.borrow() as worker:
            try:
                answer: dict[str, Any] = worker.call("look", received_path, file_name)
            except WorkerDiedError as err:
                raise WorkerDiedError(
                    f"{file_name} made the decoder fail, so it was not taken. Save it as PNG or TIFF."
                ) from err
        return answer

    def measure(self, step: str, *arguments: Any) -> Any:
        """What a step of measuring a scale returns, at once; it waits for no candidates.

        Raises
        ------
        TriageError
            What the step raised.
        """
        with self._measuring.borrow() as worker:
            return worker.call(step, *arguments)

    def enqueue(self, job: Job) -> None:
        """Let the work on a job begin as soon as a worker is free."""
        with SetWorkflowID(_run_name(job)):
            DBOS.enqueue_workflow(QUEUE, self._workflow, job.id)

    def _new_worker(self) -> Worker:
        if self._settings.separate_processes:
            return ChildWorker(self._source, timeout_s=self._settings.step_timeout_s)
        return LocalWorker(self._source)

    def _config(self) -> DBOSConfig:
        return {
            "name": "coverslip-triage",
            "system_database_url": self._settings.work_url(),
            # Work begun with other weights is started anew, never finished with these.
            "application_version": f"form-{WORKFLOW_FORM}-{self._weights_sha256[:12]}",
            "executor_id": self._settings.executor_id,
            "serializer": DBOSPortableJSONSerializer(),
            "log_level": "WARNING",
            "run_migrations": True,
        }

    def _register_workflow(self) -> Callable[[int], str]:
        # The engine writes on the function that it is given, which a bound method doesn't allow.
        @DBOS.workflow(name="propose", max_recovery_attempts=1000)
        def propose(job_id: int) -> str:
            return self._propose(job_id)

        return propose

    def _restart_lost_jobs(self) -> None:
        """Start anew each open job whose workflow was never stored, has ended or has other weights."""
        with self._database.read() as session:
            jobs = images.list_open_jobs(session)
        for job in jobs:
            status = DBOS.get_workflow_status(_run_name(job))
            if status is None:
                self.enqueue(job)
            elif status.status in ENDED or status.app_version != DBOS.application_version:
                self._files.drop_batches(_run_name(job))
                self.enqueue(self._update(job.id, attempt=job.attempt + 1, batches_done=0, state="waiting"))

    def _propose(self, job_id: int) -> str:
        """The workflow."""
        total = self._step("prepare", self._prepare, job_id)
        if total is None:
            return "failed"
        for index in range(total):
            if self._step(f"detect {index}", self._detect, job_id, index) is None:
                return "failed"
        return "failed" if self._step("conclude", self._conclude, job_id) is None else "ready"

    def _step(self, name: str, function: Callable[..., int], *arguments: int) -> int | None:
        """Run one durable step; None when it can't be done, and the job then says why."""
        return DBOS.run_step({"name": name}, self._guarded, function, *arguments)

    def _guarded(self, function: Callable[..., int], job_id: int, *arguments: int) -> int | None:
        try:
            return self._with_tries(function, job_id, *arguments)
        except TriageError as err:
            sentence = str(err)
        except Exception:
            # The border of the work: a fault here must end in a state that a person can see.
            LOG.exception("Job %s", job_id)
            sentence = "The program failed at this picture; the log of the service says why. Tell its keeper."
        job = self._update(job_id, state="failed", problem=sentence)
        self._files.drop_batches(_run_name(job))
        return None

    def _with_tries(self, function: Callable[..., int], job_id: int, *arguments: int) -> int:
        for _ in range(TRIES_AFTER_CRASH):
            if self._is_stopping:
                raise StoppingError
            try:
                return function(job_id, *arguments)
            except WorkerDiedError as err:
                if self._is_stopping:
                    raise StoppingError from err
                LOG.warning("Job %s: %s", job_id, err)
        raise WorkerDiedError(
            f"The picture made the worker fail {TRIES_AFTER_CRASH} times, so no candidates can be proposed. "
            "Save it as PNG or TIFF and upload it again."
        )

    def _prepare(self, job_id: int) -> int:
        task, _ = self._task(job_id)
        self._update(job_id, state="proposing")
        with self._pool.borrow() as worker:
            n_levels = worker.call("write_pyramid", task, self._files.pyramid(task.path.name))
            total = int(worker.call("plan", task))
        self._update(job_id, zoom_levels=n_levels, batches_total=total, batches_done=0)
        return total

    def _detect(self, job_id: int, index: int) -> int:
        task, job = self._task(job_id)
        if not self._files.batch(_run_name(job), index).exists():
            begun = time.monotonic()
            with self._pool.borrow() as worker:
                text = worker.call("detect", task, index)
            self._files.write_batch(_run_name(job), index, text)
            seconds = time.monotonic() - begun
            job.batch_seconds = (
                seconds if job.batch_seconds is None else 0.8 * job.batch_seconds + 0.2 * seconds
            )
        self._update(job_id, batches_done=index + 1, batch_seconds=job.batch_seconds)
        return index

    def _conclude(self, job_id: int) -> int:
        task, job = self._task(job_id)
        batches = [self._files.batch(_run_name(job), index) for index in range(job.batches_total or 0)]
        if job.state != "ready":
            with self._pool.borrow() as worker:
                head = worker.call("conclude", task, batches)
            candidates = head.pop("candidates")
            with self._database.write() as session:
                stored = images.read_job(session, job_id)
                images.add_proposal(session, stored, head=head, candidates=candidates)
                stored.state, stored.batch_seconds = "ready", None
        self._files.drop_batches(_run_name(job))
        return job_id

    def _task(self, job_id: int) -> tuple[Task, Job]:
        with self._database.read() as session:
            job = images.read_job(session, job_id)
            image = images.read_image_state(session, job.image_id).image
            species = specimens.specimen_of_image(session, image.id).species
            objective = (
                calibrations.read_calibration(session, job.calibration_id).objective
                if job.calibration_id is not None
                else None
            )
        task = Task(
            path=self._files.original(image.sha256),
            file_name=image.file_name,
            um_per_px=job.um_per_px,
            um_per_px_sd=job.um_per_px_sd,
            calibration_source=job.calibration_source,
            host=species if species in HOSTS else None,
            objective=objective,
        )
        return task, job

    def _update(self, job_id: int, **values: Any) -> Job:
        with self._database.write() as session:
            job = images.read_job(session, job_id)
            for name, value in values.items():
                setattr(job, name, value)
        return job


def _run_name(job: Job) -> str:
    return f"job-{job.id}-{job.attempt}"


def progress_of(job: Job) -> tuple[float, float | None]:
    """How far a job is, 0 to 1, and the seconds it will still take (None: not known yet)."""
    if job.state == "ready":
        return 1.0, 0.0
    if job.batches_total is None:
        return 0.0, None
    # Opening and concluding count as one batch each.
    share = (1 + job.batches_done) / (job.batches_total + 2)
    # Concluding takes as long as there are candidates to measure, which nobody knows before.
    batches_left = job.batches_total - job.batches_done
    if job.batch_seconds is None or batches_left == 0:
        return share, None
    return share, job.batch_seconds * (batches_left + 1)
