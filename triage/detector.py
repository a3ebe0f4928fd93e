"""Runs the network on tiles and returns plain arrays: ONNX Runtime on a CPU, torch on a GPU.

Both engines give the same boxes, and a tile's detections don't depend on the tiles it came with: a CPU
takes one tile a call, a GPU always a full batch, filled up with empty tiles.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from triage.errors import WeightsError
from triage.groups import read_groups
from triage.head import HeadLayout, decode_head
from triage.records import Detections
from triage.weights import GRAPH_FILE, WEIGHTS_FILE, WeightsRecord, read_record, shipped_folder

GPU_BATCH = 16

Tiles = NDArray[np.uint8]
Heads = NDArray[np.float32]


class Engine(Protocol):
    """Something that runs the network."""

    def heads(self, tiles: Tiles) -> Iterator[Heads]:
        """The head's map (C, H, W) of each of the tiles (N, tile_px, tile_px, 3), in order."""


class Detector:
    """A network with its record, ready to look at tiles.

    Parameters
    ----------
    record : WeightsRecord
        What the network is.
    engine : Engine
        What runs it.
    """

    def __init__(self, record: WeightsRecord, engine: Engine) -> None:
        self.record = record
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

    def detect(self, tiles: Tiles) -> list[Detections]:
        """What the network says of each tile.

        Parameters
        ----------
        tiles : ndarray of shape (N, tile_px, tile_px, 3), uint8
            RGB; N may be 0.

        Returns
        -------
        detections : list of Detections
            One per tile, in the tile's frame, best first, scores from `triage.head.SCORE_FLOOR` up, and
            no more than `triage.head.MOST_DETECTIONS`.

        Raises
        ------
        ValueError
            If the tiles have another shape or type.
        """
        wanted = (self.tile_px, self.tile_px, 3)
        if tiles.ndim != 4 or tiles.shape[1:] != wanted or tiles.dtype != np.uint8:
            raise ValueError(
                f"tiles must be uint8 of shape (N, {self.tile_px}, {self.tile_px}, 3), "
                f"received {tiles.dtype} of shape {tiles.shape}"
            )
        return [self._in_table_order(decode_head(head, self._layout)) for head in self._engine.heads(tiles)]

    @property
    def runs_on_cpu(self) -> bool:
        """Whether ONNX Runtime runs it."""
        return isinstance(self._engine, OnnxEngine)

    def run_forward(self, tiles: Tiles) -> None:
        """The network's passes alone, nothing of what it says read; for timing."""
        for _ in self._engine.heads(tiles):
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
        than one after the other on both.
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
    return Detector(record, engine)


def _has_gpu() -> bool:
    """Whether torch may find a GPU; a machine without NVIDIA's driver is not asked to import torch."""
    if not Path("/proc/driver/nvidia/version").exists():
        return False
    import torch

    return torch.cuda.is_available()


class OnnxEngine:
    """Runs the exported graph on the CPU, one tile a call, `threads` calls side by side."""

    def __init__(self, folder: Path, record: WeightsRecord, threads: int) -> None:
        import onnxruntime

        if record.graph_sha256 is None:
            raise WeightsError(
                f"{folder} has no {GRAPH_FILE}, which CPUs need. "
                f"Run: python -m training.export --weights {folder}"
            )
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = 1
        options.inter_op_num_threads = 1
        options.use_deterministic_compute = True
        try:
            self._session: Any = onnxruntime.InferenceSession(
                folder / GRAPH_FILE, options, providers=["CPUExecutionProvider"]
            )
        except Exception as err:  # ONNX Runtime's errors share no other base
            raise WeightsError(f"{folder / GRAPH_FILE} can't be run ({err}). Export it again.") from err
        self._pool = ThreadPoolExecutor(threads, thread_name_prefix="detector")

    def heads(self, tiles: Tiles) -> Iterator[Heads]:
        """The head's map of each tile; whoever reads one keeps the others going meanwhile."""
        yield from self._pool.map(self._look_at, tiles)

    def _look_at(self, tile: Tiles) -> Heads:
        head: Heads = self._session.run(["head"], {"tiles": tile[None]})[0][0]
        return head


class TorchEngine:
    """Runs the network in torch, always `batch` tiles at a time, all launched from one thread of its own.

    cuDNN keeps its handles and the plans of each layer for the thread that asked, and building them takes
    seconds, so a thread made for every call would build them again at every call.
    """

    def __init__(self, folder: Path, record: WeightsRecord, device: str, *, batch: int = GPU_BATCH) -> None:
        import torch

        from triage.network import ServedNetwork, read_network

        network = read_network(folder / WEIGHTS_FILE, n_groups=len(record.groups), **record.network)
        self._network = ServedNetwork(network).eval().to(torch.device(device))
        self._device = torch.device(device)
        self._batch = batch
        self._launcher = ThreadPoolExecutor(1, thread_name_prefix="launcher")

    def heads(self, tiles: Tiles) -> Iterator[Heads]:
        """The head's map of each tile; the last batch is filled up with empty tiles."""
        waiting: deque[Future[tuple[Any, Any, int]]] = deque()
        for start in range(0, len(tiles), self._batch):
            waiting.append(self._launcher.submit(self._launch, tiles[start : start + self._batch]))
            # The device works on this batch while the one before is read.
            if len(waiting) > 1:
                yield from _arrived(*waiting.popleft().result())
        for launched in waiting:
            yield from _arrived(*launched.result())

    def _launch(self, some: Tiles) -> tuple[Any, Any, int]:
        """Maps on their way to main memory, the event of their arrival (None: arrived), their number."""
        import torch

        full = np.zeros((self._batch, *some.shape[1:]), dtype=np.uint8)
        full[: len(some)] = some
        tiles = torch.from_numpy(full)
        with torch.inference_mode():
            if self._device.type != "cuda":
                return self._network(tiles.to(self._device)).cpu(), None, len(some)
            heads = self._network(tiles.pin_memory().to(self._device, non_blocking=True))
            landed = torch.empty(heads.shape, dtype=heads.dtype, pin_memory=True)
            landed.copy_(heads, non_blocking=True)
            event = torch.cuda.Event()  # type: ignore[no-untyped-call]
            event.record(torch.cuda.current_stream(self._device))
        return landed, event, len(some)


def _arrived(heads: Any, event: Any, n: int) -> Heads:
    if event is not None:
        event.synchronize()
    maps: Heads = heads.numpy()[:n]
    return maps
