"""The work on a hospital's own detector, as a durable workflow runs it: train, export, judge, compare, file.

Each stage is a started program of `training`; a kill begins the stage again, and a training goes on at its
last checkpoint, on another machine at the last one that was kept in the store. Only the last stage stores
what came of it.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from service.checkpoints import Checkpoints
from service.errors import UnreachableError
from service.files import Files
from service.run_folder import RunFolder, compare_arguments, judge_arguments, train_arguments
from service.settings import Settings
from service.started import check_training_packages, run_module
from service.store import detectors, set_versions
from service.store.database import Database, Session
from service.store.detectors import DetectorComparison, DetectorRow, DetectorRun
from service.store.lost_objects import place_object
from service.store.models import utc_now
from triage.errors import TriageError
from triage.weights import RECORD_FILE, shipped_folder

LOG = logging.getLogger(__name__)
STAGES = ("train", "export", "judge", "compare", "file")
STATE_OF = {"train": "training", "export": "exporting", "judge": "judging", "compare": "comparing"}
NOTE_EVERY_S = 1.0
NOTHING_TO_JUDGE = (
    "The set's judging split holds no picture, so nothing was judged or compared, and this detector can't be "
    "taken into use. Sign off more specimens, make a new set, and compare on that."
)


class RunEndedError(Exception):
    """Somebody stopped the work."""


class DetectorWork:
    """Does the stages, one at a time.

    Parameters
    ----------
    own_sha256 : str
        Weights of the detector that the service was started with.
    check_stopping : callable
        Raises when the service stops.
    """

    def __init__(
        self,
        database: Database,
        files: Files,
        settings: Settings,
        *,
        own_sha256: str,
        check_stopping: Callable[[], None],
    ) -> None:
        self._database = database
        self._files = files
        self._settings = settings
        self._own_sha256 = own_sha256
        self._check_stopping = check_stopping

    def do(self, stage: str, run_id: int, attempt: int) -> bool:
        """Do one stage; False where this attempt has ended, and the row then says why."""
        try:
            row = self._enter(stage, run_id, attempt)
            if row.kind == "train" or stage in ("compare", "file"):
                getattr(self, f"_{stage}")(row)
            return True
        except RunEndedError:
            return False
        except UnreachableError:
            # No fault of the set: whoever runs the work tries again.
            raise
        except TriageError as err:
            sentence = str(err)
        except Exception:
            # The border of the work: a fault here must end in a state that a person can see.
            LOG.exception("Training %s", run_id)
            sentence = (
                "The program failed at this training; the log of the service says why. Tell its keeper."
            )
        self._fail(run_id, attempt, sentence)
        return False

    def _enter(self, stage: str, run_id: int, attempt: int) -> DetectorRun:
        self._check_stopping()
        with self._database.write() as session:
            row = _refuse_ended(detectors.read_run(session, run_id, is_locked=True), attempt)
            if row.kind == "train" or stage == "compare":
                row.state = STATE_OF.get(stage, row.state)
        return row

    def _fail(self, run_id: int, attempt: int, sentence: str) -> None:
        with self._database.write() as session:
            row = detectors.read_run(session, run_id, is_locked=True)
            if row.state in detectors.OPEN_STATES and row.attempt == attempt:
                row.state, row.problem, row.ended_at = "failed", sentence, utc_now()

    def _folder(self, row: DetectorRun) -> RunFolder:
        folder = RunFolder(self._settings.data_folder.absolute() / "training-work" / str(row.id))
        folder.unpack(self._files.labelled_set(row.set_id))
        return folder

    def _weights(self, weights_sha256: str) -> Path:
        """The folder of a detector, the service's own or a hospital's."""
        if weights_sha256 == self._own_sha256:
            return self._settings.weights_folder or shipped_folder()
        return self._files.detector(weights_sha256)

    def _run(
        self,
        row: DetectorRun,
        name: str,
        arguments: list[str],
        *,
        on_note: Callable[[], None] = lambda: None,
    ) -> None:
        folder = self._folder(row)
        noted_at = time.monotonic()

        def look() -> None:
            nonlocal noted_at
            self._check_stopping()
            if time.monotonic() - noted_at >= NOTE_EVERY_S:
                self._note(row, folder.read_curve())
                on_note()
                noted_at = time.monotonic()

        threads = self._settings.detector_threads
        run_module(name, arguments, folder=folder.root, threads=threads, on_wait=look)
        self._note(row, folder.read_curve())

    def _note(self, before: DetectorRun, curve: dict[str, Any]) -> None:
        """Write down how far it is, where that has changed; ends the work where somebody stopped it."""
        with self._database.read() as session:
            now = detectors.read_run(session, before.id)
            is_same = _refuse_ended(now, before.attempt).curve == curve
        if is_same:
            return
        with self._database.write() as session:
            row = _read_open(session, before)
            steps = [point[0] for point in (*curve["losses"], *curve["checks"])]
            row.curve, row.step = curve, max(steps, default=None)
            row.seconds_left = curve["seconds_left"]

    def _train(self, row: DetectorRun) -> None:
        check_training_packages()
        folder = self._folder(row)
        done = folder.root / "trained"
        if done.exists():
            return
        arguments = train_arguments(
            folder,
            row.options,
            start=self._weights(row.started_from),
            name=f"own detector, set {row.set_id}, training {row.id}",
            device=self._settings.device,
        )
        checkpoints = Checkpoints(self._files, folder, row.id)
        checkpoints.bring()
        self._run(row, "training.train", arguments, on_note=checkpoints.keep)
        done.touch()

    def _export(self, row: DetectorRun) -> None:
        self._run(row, "training.export", ["--weights", str(self._folder(row).out)])

    def _judge(self, row: DetectorRun) -> None:
        folder = self._folder(row)
        if folder.has_pictures_to_judge():
            self._run(row, "training.judge", judge_arguments(folder))

    def _compare(self, row: DetectorRun) -> None:
        folder = self._folder(row)
        if not folder.has_pictures_to_judge():
            return
        new = folder.out
        if row.kind == "compare":
            check_training_packages()
            with self._database.read() as session:
                assert row.detector_id is not None
                new = self._files.detector(detectors.read_detector(session, row.detector_id).weights_sha256)
        old, margin = self._weights(row.started_from), row.options["margin"]
        self._run(row, "training.compare", compare_arguments(folder, old=old, new=new, margin=margin))

    def _file(self, row: DetectorRun) -> None:
        """Store what came of it, once."""
        folder = self._folder(row)
        is_judged = folder.has_pictures_to_judge()
        record: dict[str, Any] = {}
        if row.kind == "train":
            folder.hide_folders(self._weights(row.started_from))
            record = folder.read_json(folder.out / RECORD_FILE)
            self._files.keep_detector(record["weights_sha256"], folder.out)
            for plot in sorted(folder.judged.glob("*.png")):
                self._files.keep_plot(row.id, plot)
        with self._database.write() as session:
            again = _read_open(session, row)
            if row.kind == "train":
                again.detector_id = _add_detector(session, again, folder, record, is_judged=is_judged)
            if is_judged:
                _add_comparison(session, again, folder)
            again.state, again.seconds_left, again.ended_at = "ready", None, utc_now()
            again.problem = None if is_judged else NOTHING_TO_JUDGE
        self._files.drop_checkpoints(row.id)
        folder.clear()


def _read_open(session: Session, before: DetectorRun) -> DetectorRun:
    """The row as it is now, locked."""
    return _refuse_ended(detectors.read_run(session, before.id, is_locked=True), before.attempt)


def _refuse_ended(row: DetectorRun, attempt: int) -> DetectorRun:
    # Whoever goes on with a stopped training may be sooner than the end of what was stopped.
    if row.state not in detectors.OPEN_STATES or row.attempt != attempt:
        raise RunEndedError
    return row


def _add_detector(
    session: Session, row: DetectorRun, folder: RunFolder, record: dict[str, Any], *, is_judged: bool
) -> int:
    version = set_versions.find_version(session, row.set_id)
    added = detectors.add_row(
        session,
        DetectorRow(
            hospital_id=row.hospital_id,
            run_id=row.id,
            set_id=row.set_id,
            name=record["name"],
            weights_sha256=record["weights_sha256"],
            started_from=row.started_from,
            manifest_sha256=None if version is None else version.manifest_sha256,
            record=record,
            curve=folder.read_curve(),
            figures=folder.read_json(folder.judged / "figures.json") if is_judged else None,
            problem=None if is_judged else NOTHING_TO_JUDGE,
        ),
    )
    return added.id


def _add_comparison(session: Session, row: DetectorRun, folder: RunFolder) -> None:
    """Store what a comparison said, each lost object with the picture and candidate that it is here."""
    assert row.detector_id is not None
    result, originals = folder.read_json(folder.comparison), folder.read_originals()
    result["lost"] = [
        said
        | place_object(
            session,
            hospital_id=row.hospital_id,
            sha256=originals[said["file"]],
            box_xyxy=said["box_xyxy"],
        )
        for said in result["lost"]
    ]
    detectors.add_row(
        session,
        DetectorComparison(
            hospital_id=row.hospital_id,
            run_id=row.id,
            detector_id=row.detector_id,
            set_id=row.set_id,
            old_sha256=row.started_from,
            may_take_over=result["may_take_over"],
            result=result,
        ),
    )
