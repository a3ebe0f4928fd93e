"""The `coverslip` program: a thin table of commands; what each needs is imported when it runs."""

from __future__ import annotations

import json
import logging
import sys
from collections.abc import Callable
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from triage.errors import CalibrationError, RecordError, TriageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from triage.calibration import Calibration
    from triage.optics import Objective

app = typer.Typer(
    name="coverslip",
    help="A second pair of eyes for the person who reads fecal flotation slides.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


class FieldOrder(StrEnum):
    """What is known of the order in which fields were taken."""

    AS_TAKEN = "as-taken"
    UNKNOWN = "unknown"


def _say_version(is_asked: bool) -> None:
    if is_asked:
        from service.own_version import read_own_version

        print(f"coverslip-triage {read_own_version()}")
        raise typer.Exit


@app.callback()
def _program(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_say_version, is_eager=True, help="Say which version this is."),
    ] = False,
) -> None:
    """Proposes candidates on slide photographs for a person to mark; it never diagnoses."""


@app.command()
def propose(
    images: Annotated[list[Path], typer.Argument(metavar="IMAGE", help="JPEG, PNG, TIFF or HEIC.")],
    um_per_px: Annotated[float | None, typer.Option(help="µm per pixel of the pictures.")] = None,
    um_per_px_sd: Annotated[
        float | None, typer.Option(help="Its standard uncertainty, in µm per pixel.")
    ] = None,
    host: Annotated[str | None, typer.Option(help="dog or cat: narrows the published sizes.")] = None,
    objective: Annotated[
        str | None, typer.Option(help="Taken with, as engraved (10x/0.25); says what they can show.")
    ] = None,
    weights: Annotated[Path | None, typer.Option(help="Folder of another detector.")] = None,
    threads: Annotated[int, typer.Option(min=1, help="Threads for the detector.")] = 1,
    out: Annotated[
        Path | None, typer.Option(help="Write the JSON here instead of to standard output.")
    ] = None,
) -> None:
    """Candidates for each image as JSON (an array when there are several images).

    Without a scale, neither given nor in the file, candidates are proposed at several scales and sizes
    are unknown.
    """
    from triage.detector import load_detector
    from triage.images import open_picture
    from triage.pipeline import propose_candidates
    from triage.proposal import proposal_to_json

    with _one_sentence():
        _quiet_decoders()
        calibration = _state_scale(um_per_px, um_per_px_sd)
        taken_with = None if objective is None else _state_objective(objective)
        detector = load_detector(weights, threads=threads)
        results = []
        for path in images:
            with open_picture(path) as picture, _progress_bar(path.name) as on_progress:
                proposal = propose_candidates(
                    picture,
                    calibration,
                    detector,
                    host=host,
                    objective=taken_with,
                    on_progress=on_progress,
                )
            results.append(proposal_to_json(proposal))
        write_json(results[0] if len(results) == 1 else results, out)


@app.command()
def calibrate(
    image: Annotated[Path, typer.Argument(metavar="IMAGE", help="Photograph of a stage micrometer.")],
    division_um: Annotated[float, typer.Option(help="µm from mark to mark; 1 mm in 100 divisions has 10.")],
    ruling_tolerance: Annotated[
        float, typer.Option(help="Greatest relative error of the ruling itself; 1 µm in 1 mm is 0.001.")
    ] = 0.0,
    picture: Annotated[
        Path | None, typer.Option(help="Write a PNG here that shows the marks that were found.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Write the JSON here instead of to standard output.")
    ] = None,
) -> None:
    """µm per pixel of a photographed stage micrometer, with its standard uncertainty, as JSON.

    The ruling may lie at any angle and partly out of the picture. Look at the picture of the marks found
    before you use the scale.
    """
    from PIL import Image

    from triage.images import open_picture
    from triage.micrometer import calibrate_picture, scale_to_json

    with _one_sentence():
        _quiet_decoders()
        with open_picture(image) as opened:
            scale, shown = calibrate_picture(opened, division_um, ruling_tolerance=ruling_tolerance)
        if picture is not None:
            Image.fromarray(shown).save(picture, format="PNG")
        write_json(scale_to_json(scale), out)


@app.command()
def stitch(
    fields: Annotated[
        list[Path], typer.Argument(metavar="FIELD", help="Overlapping pictures, or folders of them.")
    ],
    out: Annotated[Path, typer.Option(help="The mosaic, an OME-TIFF; ends in .ome.tif.")],
    um_per_px: Annotated[
        float | None, typer.Option(help="µm per pixel of the fields; left out, what the files state.")
    ] = None,
    order: Annotated[
        FieldOrder,
        typer.Option(help="as-taken: there and back, row by row, as named; saves time in large scans."),
    ] = FieldOrder.UNKNOWN,
    by_regularity: Annotated[
        bool,
        typer.Option(
            "--by-regularity",
            help="Place blank fields, and groups cut off by them, by the scan's regular steps; needs "
            "--order as-taken.",
        ),
    ] = False,
    coverslip_mm: Annotated[
        float | None, typer.Option(help="Side of the square coverslip; areas are then given as its share.")
    ] = None,
) -> None:
    """Overlapping fields to one pyramidal mosaic; prints where each lies and which were left out, as JSON.

    The pictures of a folder are taken in the order of their names. A field that shows nothing of its
    neighbours is left out with the reason. What no field shows is black in the mosaic; gaps are named by the
    pass of the scan.
    """
    from triage.coverage import check_side
    from triage.stitch.records import stitching_to_json
    from triage.stitch.scan import stitch as stitch_fields
    from triage.stitch.seen import describe_coverage

    with _one_sentence():
        _quiet_decoders()
        scale = _state_scale(um_per_px, None)
        check_side(coverslip_mm)
        with _progress_bar("fields") as on_progress:
            stitching = stitch_fields(
                fields,
                out,
                order=order.value,
                by_regularity=by_regularity,
                um_per_px=None if scale is None else scale.um_per_px,
                on_progress=on_progress,
            )
        coverage = describe_coverage(stitching, coverslip_mm=coverslip_mm)
        write_json({**stitching_to_json(stitching), "coverage": coverage}, None)


@app.command()
def demo(
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port to listen on; 0 takes a free one.")
    ] = 8000,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Only print the address, open nothing.")
    ] = False,
) -> None:
    """Try the service on drawn slides of an invented clinic; all of it is removed at the end.

    Prints the address and the logins.
    """
    from service.demo import run_demo

    with _one_sentence():
        _quiet_decoders()
        run_demo(port=port, is_browser_opened=not no_browser, say=typer.echo)


@app.command()
def serve() -> None:
    """Run the service until it is stopped; settings come from the environment (see `coverslip settings`)."""
    from service.environment import read_settings
    from service.run import serve as run_service

    with _one_sentence():
        _quiet_decoders()
        settings = read_settings()
        typer.echo(f"Listening on http://{settings.host}:{settings.port}; data in {settings.data_folder}.")
        run_service(settings)


@app.command()
def work() -> None:
    """Take work off a running service until stopped: the same settings, on this or another machine.

    Needs the same database and store of files as the service. Takes a GPU if there is one.
    """
    from service.environment import read_settings
    from service.run import work as run_worker

    with _one_sentence():
        _quiet_decoders()
        settings = read_settings()
        typer.echo(f"Taking work, {settings.workers} at a time; stop with Ctrl+C.")
        run_worker(settings)


@app.command("settings")
def show_settings() -> None:
    """Every setting of the service: its environment variable, what it means, its default."""
    from service.settings import Settings

    for name, setting in Settings.model_fields.items():
        default = "unset" if setting.default is None else setting.default
        typer.echo(f"COVERSLIP_{name.upper()}\n    {setting.description} Default: {default}.")


@app.command("add-person")
def add_person(
    user_name: Annotated[str, typer.Argument(help="Name to sign in with.")],
    display_name: Annotated[str, typer.Option(help="Name that others see.")],
    role: Annotated[str, typer.Option(help="assistant, reader, veterinarian or administrator.")],
    password: Annotated[
        str,
        typer.Option(
            prompt=True,
            hide_input=True,
            confirmation_prompt=True,
            envvar="COVERSLIP_NEW_PASSWORD",
            help="Asked for when left out, so that it stays out of the shell's history.",
        ),
    ],
    hospital: Annotated[
        str | None, typer.Option(help="Name of the hospital, made if there is none; left out: the first.")
    ] = None,
) -> None:
    """Add somebody who can sign in."""
    from service.admin import create_user
    from service.environment import read_settings

    with _one_sentence():
        user = create_user(read_settings(), user_name, display_name, role, password, hospital=hospital)
        typer.echo(f"{user.display_name} can sign in as {user.user_name} ({user.role}).")


@app.command("reset-password")
def reset_password(
    user_name: Annotated[str, typer.Argument(help="Name that this person signs in with.")],
) -> None:
    """Make a link with which somebody sets a new password, once."""
    from service.admin import make_password_link
    from service.environment import read_settings

    with _one_sentence():
        typer.echo(make_password_link(read_settings(), user_name))
        typer.echo("Put the address of the service before it, and hand it over yourself.", err=True)


@app.command("check-log")
def check_log(
    file: Annotated[
        Path | None, typer.Option(help="Check an exported log instead of the one in the records.")
    ] = None,
    known: Annotated[
        list[str] | None,
        typer.Option(metavar="NUMBER:SHA256", help="An entry's hash as a paper prints it; may be repeated."),
    ] = None,
) -> None:
    """Whether the log of all changes, and the records it tells of, are as they were written.

    Prints each hospital's number of entries and the hash of the last: keep it elsewhere. Ends with 1 and
    names what was changed.
    """
    from service.environment import read_settings
    from service.event_check import check_lines, check_records, read_known

    with _one_sentence():
        wanted = read_known(known or [])
        if file is None:
            checks = check_records(read_settings(), wanted)
        else:
            with file.open(encoding="utf-8") as lines:
                checks = [check_lines(lines, known=wanted)]
    for one in checks:
        where = "The file" if one.hospital_id is None else f"Hospital {one.hospital_id}"
        typer.echo(f"{where}: {one.entries} entries, the last has the hash {one.head_sha256}.")
        for fault in one.faults:
            typer.echo(fault, err=True)
    if any(one.faults for one in checks):
        raise typer.Exit(1)


@app.command("export-log")
def export_log(
    out: Annotated[Path, typer.Option(help="JSON lines: each entry, and its hash.")],
) -> None:
    """Write the log of all changes to a file."""
    from service.environment import read_settings
    from service.event_check import export_records

    with _one_sentence():
        typer.echo(f"{export_records(read_settings(), out)} entries written to {out}.")


def main() -> None:
    """Entry point of the `coverslip` program."""
    app()


def write_json(value: Any, out: Path | None) -> None:
    """Indented JSON to a file, or to standard output."""
    text = json.dumps(value, indent=2, ensure_ascii=False) + "\n"
    if out is None:
        sys.stdout.write(text)
    else:
        out.write_text(text, encoding="utf-8")


def _state_objective(text: str) -> Objective:
    from triage.optics import read_objective

    objective = read_objective(text)
    if objective is None:
        raise RecordError(
            f"The objective is {text!r}; it must name its magnification and aperture. Give it as engraved, "
            "for instance 10x/0.25."
        )
    return objective


def _state_scale(um_per_px: float | None, um_per_px_sd: float | None) -> Calibration | None:
    from triage.calibration import state_calibration

    if um_per_px is None and um_per_px_sd is not None:
        raise CalibrationError(
            f"An uncertainty of {um_per_px_sd} µm per pixel was given without a scale. "
            "Give --um-per-px as well."
        )
    return (
        None
        if um_per_px is None
        else state_calibration(um_per_px, um_per_px_sd, source="given by the caller")
    )


def _quiet_decoders() -> None:
    """Keep remarks of the decoders off stderr, where our own sentence stands alone."""
    for name in ("pyvips", "tifffile"):
        logging.getLogger(name).setLevel(logging.CRITICAL)


@contextmanager
def _one_sentence() -> Iterator[None]:
    """Bad input ends the program with one sentence on stderr and exit code 1."""
    try:
        yield
    except (TriageError, OSError) as err:
        typer.echo(str(err), err=True)
        raise typer.Exit(1) from err


@contextmanager
def _progress_bar(name: str) -> Iterator[Callable[[int, int], None] | None]:
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(name, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


if __name__ == "__main__":
    main()
