"""Durable background work: one workflow for each job, cut into steps that survive a kill.

A workflow is: prepare (pyramid, plan) -> detect batch 0, 1, ... -> merge -> measure part 0, 1, ... ->
conclude. The engine remembers which steps are done; what each found is also kept as a file of its own, so
that a step that runs twice does nothing again. Only the merge reads what all batches found, once.
Candidates are stored once for each job. A job that a person stopped ends at its next step.
"""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Callable, Iterator
from typing import Any

from dbos import DBOS, DBOSConfig, DBOSPortableJSONSerializer, SetWorkflowID

from service.decoding import Bounds, Decoder, Seen, is_large
from service.detector_work import STAGES, DetectorWork
from service.errors import UnreachableError
from service.files import Files, Received
from service.process_name import ProcessName
from service.settings import Settings
from service.steps import DetectorSource, Task
from service.stitching import StitchWork
from service.store import calibrations, detectors, images, specimens, stitchings
from service.store.database import Database, Session, check_reachable
from service.store.detectors import DetectorRun
from service.store.models import Job, Stitching
from service.takeover import Takeover
from service.workers import ChildWorker, LocalWorker, Worker, WorkerDiedError, WorkerPool
from triage.errors import TriageError
from triage.records import Detector
from triage.tiles import BATCH_TILES
from triage.weights import read_record, shipped_folder

LOG = logging.getLogger(__name__)
QUEUE = "proposals"
# Trainings take hours, so nothing else may wait behind them.
TRAINING_QUEUE = "trainings"
# Another order of steps or tiles needs another number: the engine resumes a workflow only where it is so.
WORKFLOW_FORM = 4
TRIES_AFTER_CRASH = 3
UNREACHABLE_PAUSE_S = 2.0
# Animals for which published sizes are listed apart.
HOSTS = ("dog", "cat")
ENDED = ("SUCCESS", "ERROR", "CANCELLED", "MAX_RECOVERY_ATTEMPTS_EXCEEDED")


class JobEndedError(Exception):
    """Somebody stopped the job, so that nothing more is to be done or stored for it."""


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
        self._source = DetectorSource(
            settings.weights_folder, settings.detector_threads, settings.device, detector
        )
        about = detector or read_record(settings.weights_folder or shipped_folder())
        self.detector_name = about.name
        self.weights_sha256 = about.weights_sha256
        self._is_stopping = False
        self._process = ProcessName(settings.data_folder, settings.executor_id)
        self._takeover = Takeover(
            database, self._process.name, silent_s=settings.silent_machine_s, queue=QUEUE
        )
        self._pool = WorkerPool([self._new_worker() for _ in range(settings.workers)])
        # Looking at an upload must not wait for a detector at work, nor a small one for a large one.
        self._decoder, self._large_decoder = self._new_decoder(), self._new_decoder()
        # Nor must looking wait for a ruling that is searched.
        self._measuring = WorkerPool([self._new_worker()])
        self._stitch_work = StitchWork(database, files, call=self._call, look=self.look)
        self._detector_work = DetectorWork(
            database,
            files,
            settings,
            own_sha256=self.weights_sha256,
            check_stopping=self._check_stopping,
        )

    def start(self) -> None:
        """Start the engine, and resume what a stop or a kill cut off."""
        DBOS.destroy(destroy_registry=True)
        DBOS(config=self._config())
        self._workflow = self._register_workflow()
        takes_work = self._settings.workers > 0
        if not takes_work:
            DBOS.listen_queues([])
        check_reachable(self._settings.work_url(), "COVERSLIP_WORK_DATABASE_URL")
        DBOS.launch()
        DBOS.register_queue(
            QUEUE,
            worker_concurrency=max(1, self._settings.workers),
            polling_interval_sec=0.25,
            # One number for all processes: one that takes no work must not change it.
            on_conflict="always_update" if takes_work else "never_update",
        )
        DBOS.register_queue(
            TRAINING_QUEUE, worker_concurrency=1, polling_interval_sec=1.0, on_conflict="never_update"
        )
        self._restart_lost_jobs()
        self._restart_lost_stitchings()
        self._restart_lost_runs()
        self._takeover.start()

    def stop(self) -> None:
        """End the work where it is; the next start resumes it."""
        self._is_stopping = True
        self._takeover.stop()
        self._pool.close()
        self._decoder.close()
        self._large_decoder.close()
        self._measuring.close()
        DBOS.destroy(destroy_registry=True)
        self._process.release()

    def look(self, received: Received, file_name: str) -> Seen:
        """Width, height and what the file says of its scale, after an upload was decoded once.

        Of a large picture the viewer's pyramid, and the tiled copy that proposing reads, are then written.

        Raises
        ------
        ImageError
            If it is no picture that can be read.
        StorageError
            If there is no room on the disk.
        """
        decoder = self._large_decoder if is_large(received.path) else self._decoder
        copy_path = self._files.pixels(received.sha256)
        try:
            with self._files.make_pyramid(received.sha256) as pyramid_path:
                return decoder.look(received.path, file_name, pyramid_path=pyramid_path, copy_path=copy_path)
        except BaseException:
            self._files.drop_pixels(received.sha256)
            raise

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

    def forget_batches(self, ended: Job) -> None:
        """Remove what an ended job found; its own workflow does so too, unless an older version began it."""
        self._files.drop_batches(_run_name(ended))

    def enqueue_stitching(self, row: Stitching) -> None:
        """Let pictures be stitched as soon as a worker is free."""
        with SetWorkflowID(_stitch_name(row)):
            DBOS.enqueue_workflow(QUEUE, self._stitch_workflow, row.id)

    def enqueue_run(self, row: DetectorRun) -> None:
        """Let a training, or a comparison of detectors, begin as soon as a machine is free for it."""
        with SetWorkflowID(_training_name(row)):
            DBOS.enqueue_workflow(TRAINING_QUEUE, self._detector_workflow, row.id, row.attempt)

    def _check_stopping(self) -> None:
        if self._is_stopping:
            raise StoppingError

    def _call(self, step: str, *arguments: Any) -> Any:
        with self._pool.borrow() as worker:
            return worker.call(step, *arguments)

    def _new_decoder(self) -> Decoder:
        settings = self._settings
        bounds = Bounds(settings.decoder_memory_mib, settings.step_timeout_s)
        return Decoder(bounds if settings.separate_processes else None)

    def _new_worker(self) -> Worker:
        if self._settings.separate_processes:
            return ChildWorker(self._source, timeout_s=self._settings.step_timeout_s)
        return LocalWorker(self._source)

    def _config(self) -> DBOSConfig:
        return {
            "name": "coverslip-triage",
            "system_database_url": self._settings.work_url(),
            # Work begun with other weights is started anew, never finished with these.
            "application_version": f"form-{WORKFLOW_FORM}-{self.weights_sha256[:12]}",
            "executor_id": self._process.name,
            "serializer": DBOSPortableJSONSerializer(),
            "log_level": "WARNING",
            "run_migrations": True,
        }

    def _register_workflow(self) -> Callable[[int], str]:
        # The engine writes on the function that it is given, which a bound method doesn't allow.
        @DBOS.workflow(name="propose", max_recovery_attempts=1000)
        def propose(job_id: int) -> str:
            return self._propose(job_id)

        @DBOS.workflow(name="stitch", max_recovery_attempts=1000)
        def stitch(stitching_id: int) -> str:
            job_id: int | None = DBOS.run_step({"name": "stitch"}, self._stitch, stitching_id)
            if job_id is None:
                return "ended"
            with self._database.read() as session:
                self.enqueue(images.read_job(session, job_id))
            return "ready"

        @DBOS.workflow(name="detector", max_recovery_attempts=1000)
        def make_detector(run_id: int, attempt: int) -> str:
            for stage in STAGES:
                if not DBOS.run_step({"name": stage}, self._do_stage, stage, run_id, attempt):
                    return "ended"
            return "ready"

        self._stitch_workflow, self._detector_workflow = stitch, make_detector
        return propose

    def _do_stage(self, stage: str, run_id: int, attempt: int) -> bool:
        while True:
            try:
                return self._detector_work.do(stage, run_id, attempt)
            except UnreachableError as err:
                LOG.warning("Training %s waits: %s", run_id, err)
                time.sleep(UNREACHABLE_PAUSE_S)

    def _stitch(self, stitching_id: int) -> int | None:
        """The one step of stitching; a kill in the middle of it begins it again."""
        while not self._is_stopping:
            try:
                return self._stitch_work.run(stitching_id)
            except UnreachableError as err:
                LOG.warning("Stitching %s waits: %s", stitching_id, err)
                time.sleep(UNREACHABLE_PAUSE_S)
            except WorkerDiedError as err:
                if not self._is_stopping:
                    self._stitch_work.fail(stitching_id, str(err))
                    return None
        raise StoppingError

    def _restart_lost_stitchings(self) -> None:
        """Start anew each open stitching whose workflow was never stored, has ended or is of another form."""
        with self._database.read() as session:
            rows = stitchings.list_open(session)
        for row in rows:
            status = DBOS.get_workflow_status(_stitch_name(row))
            if status is None:
                self.enqueue_stitching(row)
            elif status.status in ENDED or status.app_version != DBOS.application_version:
                with self._database.write() as session:
                    again = stitchings.read_stitching(session, row.id, is_locked=True)
                    is_ours = again.attempt == row.attempt
                    again.attempt += is_ours
                if is_ours:
                    self.enqueue_stitching(again)

    def _restart_lost_runs(self) -> None:
        """Go on with each open training whose workflow was never stored, has ended or is of another form."""
        with self._database.read() as session:
            rows = detectors.list_open_runs(session)
        for row in rows:
            status = DBOS.get_workflow_status(_training_name(row))
            if status is None:
                self.enqueue_run(row)
            elif status.status in ENDED or status.app_version != DBOS.application_version:
                with self._database.write() as session:
                    again = detectors.read_run(session, row.id, is_locked=True)
                    is_ours = again.attempt == row.attempt
                    again.attempt += is_ours
                if is_ours:
                    self.enqueue_run(again)

    def _restart_lost_jobs(self) -> None:
        """Start anew each open job whose workflow was never stored, has ended or has other weights."""
        with self._database.read() as session:
            jobs = images.list_open_jobs(session)
        for job in jobs:
            status = DBOS.get_workflow_status(_run_name(job))
            if status is None:
                self.enqueue(job)
            elif status.status in ENDED or status.app_version != DBOS.application_version:
                again = self._begin_anew(job)
                if again is not None:
                    self._files.drop_batches(_run_name(job))
                    self.enqueue(again)

    def _begin_anew(self, lost: Job) -> Job | None:
        """The job in its next attempt; None where another process began that already."""
        with self._database.write() as session:
            job = images.read_job(session, lost.id, is_locked=True)
            if job.attempt != lost.attempt:
                return None
            job.attempt, job.state, job.batches_done, job.so_far = job.attempt + 1, "waiting", 0, None
            job.parts_total = job.parts_done = None
        return job

    def _propose(self, job_id: int) -> str:
        """The workflow."""
        n_batches = self._step("prepare", self._prepare, job_id)
        if n_batches is None:
            return "ended"
        for index in range(n_batches):
            if self._step(f"detect {index}", self._detect, job_id, index) is None:
                return "ended"
        n_parts = self._step("merge", self._merge, job_id)
        if n_parts is None:
            return "ended"
        for index in range(n_parts):
            if self._step(f"measure {index}", self._measure, job_id, index) is None:
                return "ended"
        return "ended" if self._step("conclude", self._conclude, job_id) is None else "ready"

    def _step(self, name: str, function: Callable[..., int], *arguments: int) -> int | None:
        """Run one durable step; None when the job has ended, and the job then says why."""
        return DBOS.run_step({"name": name}, self._guarded, function, *arguments)

    def _guarded(self, function: Callable[..., int], job_id: int, *arguments: int) -> int | None:
        try:
            return self._with_tries(function, job_id, *arguments)
        except JobEndedError:
            sentence = None
        except TriageError as err:
            sentence = str(err)
        except Exception:
            # The border of the work: a fault here must end in a state that a person can see.
            LOG.exception("Job %s", job_id)
            sentence = "The program failed at this picture; the log of the service says why. Tell its keeper."
        with self._database.write() as session:
            job = images.read_job(session, job_id, is_locked=True)
            if sentence is not None and job.state in images.OPEN_STATES:
                job.state, job.problem, job.so_far = "failed", sentence, None
        self._files.drop_batches(_run_name(job))
        self._drop_pixels(job)
        return None

    def _with_tries(self, function: Callable[..., int], job_id: int, *arguments: int) -> int:
        n_crashes = 0
        while n_crashes < TRIES_AFTER_CRASH:
            if self._is_stopping:
                raise StoppingError
            try:
                return function(job_id, *arguments)
            except UnreachableError as err:
                # No fault of the picture: what is unreachable now may answer later.
                LOG.warning("Job %s waits: %s", job_id, err)
                time.sleep(UNREACHABLE_PAUSE_S)
            except WorkerDiedError as err:
                if self._is_stopping:
                    raise StoppingError from err
                LOG.warning("Job %s: %s", job_id, err)
                n_crashes += 1
        raise WorkerDiedError(
            f"The picture made the worker fail {TRIES_AFTER_CRASH} times, so no candidates can be proposed. "
            "Save it as PNG or TIFF and upload it again."
        )

    def _prepare(self, job_id: int) -> int:
        task, _ = self._task(job_id)
        self._advance(job_id, state="proposing")
        with self._pool.borrow() as worker:
            with self._files.make_pyramid(task.path.name) as target:
                n_levels = worker.call("write_pyramid", task, target)
            planned: dict[str, int] = worker.call("plan", task)
        self._advance(
            job_id,
            zoom_levels=n_levels,
            batches_total=planned["batches"],
            tiles_total=planned["tiles"],
            batches_done=0,
        )
        return planned["batches"]

    def _detect(self, job_id: int, index: int) -> int:
        task, job = self._task(job_id)
        run, seconds = _run_name(job), job.batch_seconds
        with self._pool.borrow() as worker:
            if not self._files.has_batch(run, index):
                begun = time.monotonic()
                text = worker.call("detect", task, index)
                seconds = _smooth(seconds, time.monotonic() - begun)
                self._files.write_batch(run, index, text)
            so_far = worker.call("add_to_best", task, job.so_far, self._files.batch(run, index))
        self._advance(job_id, batches_done=index + 1, batch_seconds=seconds, so_far=so_far)
        return index

    def _merge(self, job_id: int) -> int:
        task, job = self._task(job_id)
        run = _run_name(job)
        batches = [self._files.batch(run, index) for index in range(job.batches_total or 0)]
        with self._pool.borrow() as worker:
            parts: list[str] = worker.call("merge", task, batches)
        for index, text in enumerate(parts):
            self._files.write_batch(run, f"ranked-{index}", text)
        self._advance(job_id, parts_total=len(parts), parts_done=0)
        return len(parts)

    def _measure(self, job_id: int, index: int) -> int:
        task, job = self._task(job_id)
        run, seconds = _run_name(job), job.part_seconds
        if not self._files.has_batch(run, f"measured-{index}"):
            begun = time.monotonic()
            with self._pool.borrow() as worker:
                text = worker.call("measure", task, self._files.batch(run, f"ranked-{index}"))
            seconds = _smooth(seconds, time.monotonic() - begun)
            self._files.write_batch(run, f"measured-{index}", text)
        self._advance(job_id, parts_done=index + 1, part_seconds=seconds)
        return index

    def _conclude(self, job_id: int) -> int:
        task, job = self._task(job_id)
        if job.state != "ready":
            with self._pool.borrow() as worker:
                head = worker.call("conclude", task)
            with self._database.write() as session:
                stored = _read_open(session, job_id)
                images.add_proposal(session, stored, head=head, candidates=self._read_measured(job))
                stored.state, stored.so_far, stored.batch_seconds = "ready", None, None
        self._files.drop_batches(_run_name(job))
        self._drop_pixels(job)
        return job_id

    def _read_measured(self, job: Job) -> Iterator[dict[str, Any]]:
        """The JSON of each candidate in the order of rank, no more than one part of them at a time."""
        for index in range(job.parts_total or 0):
            path = self._files.batch(_run_name(job), f"measured-{index}")
            yield from json.loads(path.read_text(encoding="utf-8"))

    def _drop_pixels(self, job: Job) -> None:
        with self._database.read() as session:
            self._files.drop_pixels(images.read_image_state(session, job.image_id).image.sha256)

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
            own = None if job.detector_id is None else detectors.read_detector(session, job.detector_id)
        task = Task(
            path=self._files.original(image.sha256),
            file_name=image.file_name,
            um_per_px=job.um_per_px,
            um_per_px_sd=job.um_per_px_sd,
            calibration_source=job.calibration_source,
            host=species if species in HOSTS else None,
            objective=objective,
            copy_path=self._files.pixels(image.sha256),
            weights=None if own is None else self._files.detector(own.weights_sha256),
        )
        return task, job

    def _advance(self, job_id: int, **values: Any) -> None:
        """Note how far an open job has come.

        Raises
        ------
        JobEndedError
            If somebody stopped it.
        """
        with self._database.write() as session:
            job = _read_open(session, job_id)
            for name, value in values.items():
                setattr(job, name, value)


def _read_open(session: Session, job_id: int) -> Job:
    job = images.read_job(session, job_id, is_locked=True)
    if job.state not in images.OPEN_STATES:
        raise JobEndedError(f"Job {job_id} is {job.state}.")
    return job


def _run_name(job: Job) -> str:
    return f"job-{job.id}-{job.attempt}"


def _training_name(row: DetectorRun) -> str:
    return f"training-{row.id}-{row.attempt}"


def _stitch_name(row: Stitching) -> str:
    return f"stitching-{row.id}-{row.attempt}"


def _smooth(before: float | None, seconds: float) -> float:
    """Recent steps count more, because a machine may be busy for a while."""
    return seconds if before is None else 0.8 * before + 0.2 * seconds


def progress_of(job: Job) -> tuple[float, float | None]:
    """How far a job is, 0 to 1, and the seconds it will still take (None: not known yet)."""
    if job.state == "ready":
        return 1.0, 0.0
    if job.batches_total is None:
        return 0.0, None
    # Opening and concluding count as one batch each.
    measured = 1.0 if job.parts_total == 0 else (job.parts_done or 0) / (job.parts_total or 1)
    share = (1 + job.batches_done + (0.0 if job.parts_total is None else measured)) / (job.batches_total + 2)
    batches_left = job.batches_total - job.batches_done
    if batches_left:
        # How many candidates will have to be measured is not known yet; it seldom takes as long as a batch.
        return share, None if job.batch_seconds is None else job.batch_seconds * (batches_left + 1)
    if job.parts_total is None or job.part_seconds is None:
        return share, job.batch_seconds
    return share, job.part_seconds * (job.parts_total - (job.parts_done or 0))


def tiles_done_of(job: Job) -> int:
    """How many tiles were looked at."""
    if job.tiles_total is None:
        return 0
    return min(job.tiles_total, job.batches_done * BATCH_TILES)
