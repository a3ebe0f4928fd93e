"""Runs the network on tiles and returns plain arrays: ONNX Runtime on a CPU, torch on a GPU.

Both engines find the same objects. A GPU reckons in floating point, a CPU in whole numbers of eight bits
where the graph was exported so (`training.eight_bit`): boxes then differ by a few tenths of a pixel in the
middle, scores by about 0.02; with a graph in floating point they are the same. A tile's detections don't
depend on the tiles it came with: a CPU takes one tile a call, a GPU always a full batch, filled up with empty
tiles. Large pictures come in larger tiles where the detector takes them, which share less of their area with
their neighbours.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from triage.errors import WeightsError
from triage.groups import read_groups
from triage.head import MOST_DETECTIONS, STRIDE_PX, HeadLayout, count_at_a_time, decode_head
from triage.records import Detections
from triage.scale_code import encode_scales
from triage.weights import (
    CELLS_AXIS,
    CODES_INPUT,
    GRAPH_FILE,
    SIDE_AXIS,
    WeightsRecord,
    read_record,
    shipped_folder,
)

GPU_BATCH = 16
"""Of the detector's own tiles; fewer of larger ones."""
LARGE_TILE_PX = 768
"""Multiple of 32. A square of 22 mm at 1 µm/px then takes an eighth less area than in tiles of 512 px."""
LARGEST_TILE_PX = 1056
"""Multiple of 32. Of large pictures that are looked at in several scales: a twelfth less again at 0.5 µm/px.
"""

Tiles = NDArray[np.uint8]
Heads = NDArray[np.float32]
Codes = NDArray[np.float32]
"""Scales of tiles, (N, K), as `triage.scale_code` writes them."""


class Engine(Protocol):
    """Something that runs the network."""

    def heads(self, tiles: Tiles, codes: Codes) -> Iterator[Heads]:
        """The head's map (C, H, W) of each of the tiles (N, side, side, 3), in order."""


class Detector:
    """A network with its record, ready to look at tiles.

    Parameters
    ----------
    record : WeightsRecord
        What the network is.
    engine : Engine
        What runs it.
    threads : int
        How many may be used for what is done side by side, looking aside.
    """

    def __init__(self, record: WeightsRecord, engine: Engine, *, threads: int = 1) -> None:
        self.record = record
        self.threads = threads
        self._engine = engine
        self._layout = HeadLayout(len(record.groups))
        self._columns = _group_columns(record.groups)

    @property
    def name(self) -> str:
        """Name and version, quoted with every candidate."""
        return self.record.name

    @property
    def weights_sha256(self) -> str:
        """SHA-256 of the weights."""
        return self.record.weights_sha256

    @property
    def um_per_px(self) -> float:
        """Pixel size, in µm, that pictures of known scale are resampled to."""
        return self.record.um_per_px

    @property
    def tile_px(self) -> int:
        """Side of a tile, in pixels."""
        return self.record.tile_px

    @property
    def large_tile_px(self) -> int:
        """Side of the tiles of large pictures; the same where it takes no others."""
        return self._larger_side(LARGE_TILE_PX)

    @property
    def largest_tile_px(self) -> int:
        """The same of large pictures that are looked at in several scales."""
        return self._larger_side(LARGEST_TILE_PX)

    def _larger_side(self, side_px: int) -> int:
        return max(self.tile_px, side_px) if self.record.takes_larger_tiles else self.tile_px

    def detect(self, tiles: Tiles, um_per_px: Sequence[float | None] | None = None) -> list[Detections]:
        """What the network says of each tile.

        Parameters
        ----------
        tiles : ndarray of shape (N, tile_px, tile_px, 3), uint8
            RGB; N may be 0. Or of `large_tile_px` or `largest_tile_px`.
        um_per_px : sequence of float or None, optional
            Pixel size of each tile in µm, None where it isn't known; left out, none is.

        Returns
        -------
        detections : list of Detections
            One per tile, in the tile's frame, best first, scores from `triage.head.SCORE_FLOOR` up, and
            no more than `triage.head.MOST_DETECTIONS` for the area of a tile of `tile_px`.

        Raises
        ------
        ValueError
            If the tiles have another shape or type.
        """
        wanted = [(side, side, 3) for side in (self.tile_px, self.large_tile_px, self.largest_tile_px)]
        if tiles.ndim != 4 or tiles.shape[1:] not in wanted or tiles.dtype != np.uint8:
            raise ValueError(
                f"tiles must be uint8 of shape (N, {self.tile_px}, {self.tile_px}, 3), "
                f"received {tiles.dtype} of shape {tiles.shape}"
            )
        most = round(MOST_DETECTIONS * (tiles.shape[1] / self.tile_px) ** 2)
        codes = encode_scales([None] * len(tiles) if um_per_px is None else um_per_px)
        return [
            self._in_table_order(decode_head(head, self._layout, most=most))
            for head in self._engine.heads(tiles, codes)
        ]

    @property
    def runs_on_cpu(self) -> bool:
        """Whether ONNX Runtime runs it."""
        return isinstance(self._engine, OnnxEngine)

    def run_forward(self, tiles: Tiles) -> None:
        """The network's passes alone, nothing of what it says read; for timing."""
        for _ in self._engine.heads(tiles, encode_scales([self.um_per_px] * len(tiles))):
            pass

    def _in_table_order(self, detections: Detections) -> Detections:
        """Group scores in the order of the group table, 0 for groups that the network doesn't know."""
        scores = np.zeros((len(detections.scores), len(read_groups())))
        scores[:, self._columns] = detections.group_scores
        return Detections(detections.boxes_xyxy, detections.scores, scores, detections.ellipses)


def _group_columns(names: tuple[str, ...]) -> list[int]:
    table = [group.name for group in read_groups()]
    return [table.index(name) for name in names]


def load_detector(folder: Path | None = None, *, threads: int = 1, device: str = "auto") -> Detector:
    """The detector of a weights folder.

    Parameters
    ----------
    folder : Path, optional
        The shipped weights if left out.
    threads : int
        Tiles that a CPU looks at side by side, one thread each: two tiles on two threads are done sooner
        than one after the other on both. As many measure.
    device : str
        `cpu` (ONNX Runtime), a torch device such as `cuda`, or `auto`: the GPU if torch finds one.

    Raises
    ------
    WeightsError
        If a file is missing, damaged or doesn't belong to the others.
    """
    folder = folder or shipped_folder()
    record = read_record(folder)
    if device == "auto":
        device = "cuda" if _has_gpu() else "cpu"
    engine: Engine
    engine = OnnxEngine(folder, record, threads) if device == "cpu" else TorchEngine(folder, record, device)
    return Detector(record, engine, threads=threads)


def _has_gpu() -> bool:
    """Whether torch may find a GPU; a machine without NVIDIA's driver is not asked to import torch."""
    if not Path("/proc/driver/nvidia/version").exists():
        return False
    import torch

    return torch.cuda.is_available()


class OnnxEngine:
    """Runs the exported graph on the CPU, one tile a call, `threads` calls side by side."""

    def __init__(self, folder: Path, record: WeightsRecord, threads: int) -> None:
        if record.graph_sha256 is None:
            raise WeightsError(
                f"{folder} has no {GRAPH_FILE}, which CPUs need. "
                f"Run: python -m training.export --weights {folder}"
            )
        self._graph = folder / GRAPH_FILE
        self._opening = threading.Lock()
        self._sessions = {record.tile_px: _open_graph(self._graph, record.tile_px)}
        self._pool = ThreadPoolExecutor(threads, thread_name_prefix="detector")

    def heads(self, tiles: Tiles, codes: Codes) -> Iterator[Heads]:
        """The head's map of each tile; whoever reads one keeps the others going meanwhile."""
        session = self._session(tiles.shape[1])
        # Graphs of networks that don't know scales take tiles alone.
        asked = [one.name for one in session.get_inputs()]

        def look_at(tile: Tiles, code: Codes) -> Heads:
            given = {"tiles": tile[None], CODES_INPUT: code[None]}
            head: Heads = session.run(["head"], {name: given[name] for name in asked})[0][0]
            return head

        yield from self._pool.map(look_at, tiles, codes)

    def _session(self, side_px: int) -> Any:
        """The graph made for one side of tiles: with sides left open it would take longer."""
        with self._opening:
            if side_px not in self._sessions:
                self._sessions[side_px] = _open_graph(self._graph, side_px)
            return self._sessions[side_px]


def _open_graph(graph: Path, side_px: int) -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.use_deterministic_compute = True
    # Graphs whose sides are fixed don't have these names, and then nothing is done.
    options.add_free_dimension_override_by_name(SIDE_AXIS, side_px)
    options.add_free_dimension_override_by_name(CELLS_AXIS, side_px // STRIDE_PX)
    try:
        return onnxruntime.InferenceSession(graph, options, providers=["CPUExecutionProvider"])
    except Exception as err:  # ONNX Runtime's errors share no other base
        raise WeightsError(f"{graph} can't be run ({err}). Export it again.") from err


class TorchEngine:
    """Runs the network in torch, the area of `batch` tiles at a time, launched from one thread of its own.

    cuDNN keeps its handles and the plans of each layer for the thread that asked, and building them takes
    seconds, so a thread made for every call would build them again at every call.
    """

    def __init__(self, folder: Path, record: WeightsRecord, device: str, *, batch: int = GPU_BATCH) -> None:
        import torch

        from triage.network import ServedNetwork, fold_norms
        from triage.network_file import read_network

        network = read_network(folder, record)
        fold_norms(network)
        self._device = torch.device(device)
        # Tiles come with their channels last; filters that don't would be turned at every call.
        served = ServedNetwork(network).eval().to(self._device)
        self._network = served.to(memory_format=torch.channels_last)
        self._batch, self._tile_px = batch, record.tile_px
        self._launcher = ThreadPoolExecutor(1, thread_name_prefix="launcher")

    def heads(self, tiles: Tiles, codes: Codes) -> Iterator[Heads]:
        """The head's map of each tile; the last batch is filled up with empty tiles."""
        waiting: deque[Future[tuple[Any, Any, int]]] = deque()
        batch = count_at_a_time(self._batch, self._tile_px, tiles.shape[1])
        for start in range(0, len(tiles), batch):
            some = slice(start, start + batch)
            waiting.append(self._launcher.submit(self._launch, tiles[some], codes[some], batch))
            # The device works on this batch while the one before is read.
            if len(waiting) > 1:
                yield from _arrived(*waiting.popleft().result())
        for launched in waiting:
            yield from _arrived(*launched.result())

    def _launch(self, some: Tiles, codes: Codes, batch: int) -> tuple[Any, Any, int]:
        """Maps on their way to main memory, the event of their arrival (None: arrived), their number."""
        import torch

        given = [torch.from_numpy(_fill_up(array, batch)) for array in (some, codes)]
        with torch.inference_mode():
            if self._device.type != "cuda":
                return self._network(*(one.to(self._device) for one in given)).cpu(), None, len(some)
            heads = self._network(*(one.pin_memory().to(self._device, non_blocking=True) for one in given))
            landed = torch.empty(heads.shape, dtype=heads.dtype, pin_memory=True)
            landed.copy_(heads, non_blocking=True)
            event = torch.cuda.Event()  # type: ignore[no-untyped-call]
            event.record(torch.cuda.current_stream(self._device))
        return landed, event, len(some)


def _fill_up(some: NDArray[Any], n: int) -> NDArray[Any]:
    """The array with `n` rows, the missing ones 0."""
    full = np.zeros((n, *some.shape[1:]), dtype=some.dtype)
    full[: len(some)] = some
    return full


def _arrived(heads: Any, event: Any, n: int) -> Heads:
    if event is not None:
        event.synchronize()
    maps: Heads = heads.numpy()[:n]
    return maps
