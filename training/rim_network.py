"""The small network that reads where the shell ends on each ray of a rim's frame, and how sure that is."""

from __future__ import annotations

import contextlib
import io
import warnings
from pathlib import Path

import torch
from torch import Tensor, nn

from triage.rim import RIM_GRAPH
from triage.rim_frame import ANGLES, N_RAYS, RIM_RHO

_GROUND_COLUMNS = 16
_LEAST_CONTRAST = 0.5
_DELTA_SCALE = 0.05


class RimNetwork(nn.Module):
    """Grey values around an ellipse in, the shell's radii and two uncertainties out.

    Convolutions go round: the last ray lies beside the first.
    """

    def __init__(self, width: int = 16) -> None:
        super().__init__()
        self.inner = nn.ModuleList(
            [
                nn.Conv2d(4, width, (3, 7), stride=(1, 2), padding=(0, 3)),
                nn.Conv2d(width, 2 * width, (3, 5), stride=(1, 2), padding=(0, 2)),
                nn.Conv2d(2 * width, 2 * width, (3, 5), stride=(1, 2), padding=(0, 2)),
                nn.Conv2d(2 * width, 2 * width, (3, 3), padding=(0, 1)),
            ]
        )
        flat = 2 * width * (len(RIM_RHO) // 8)
        self.flatten = nn.Conv1d(flat, 4 * width, 1)
        self.ring = nn.ModuleList(
            [nn.Conv1d(4 * width, 4 * width, 5, dilation=dilation) for dilation in (1, 3, 7)]
        )
        self.delta = nn.Conv1d(4 * width, 1, 1)
        self.log_sd = nn.Sequential(nn.Linear(8 * width + 2, 2 * width), nn.ReLU(), nn.Linear(2 * width, 2))
        angles = torch.as_tensor(ANGLES, dtype=torch.float32)
        self.register_buffer("pole", torch.cos(2 * angles)[None, None, :, None], persistent=False)

    def forward(self, rims: Tensor, sides: Tensor) -> tuple[Tensor, Tensor]:
        """Where the shell ends, and how sure that is.

        Parameters
        ----------
        rims : Tensor of shape (B, N_RAYS, len(RIM_RHO))
            Grey values, 0 to 255.
        sides : Tensor of shape (B, 2)
            Length and width of the ellipse in pixels of the picture that was read.

        Returns
        -------
        radii : Tensor of shape (B, N_RAYS)
            In radii of the ellipse.
        log_sd : Tensor of shape (B, 2)
            Logarithms of the relative standard uncertainties of length and width.
        """
        ground = rims[:, :, -_GROUND_COLUMNS:].mean(dim=(1, 2), keepdim=True)
        spread = ((rims - ground) ** 2).mean(dim=(1, 2), keepdim=True).sqrt() + _LEAST_CONTRAST
        grey = ((rims - ground) / spread).clamp(-6, 6)[:, None]
        size = torch.log(sides.prod(dim=1).sqrt() / 40).reshape(-1, 1, 1, 1)
        form = torch.log(sides[:, 0] / sides[:, 1]).reshape(-1, 1, 1, 1)
        planes = torch.cat(
            [grey, size.expand_as(grey), form.expand_as(grey), self.pole.expand_as(grey)], dim=1
        )
        for layer in self.inner:
            planes = torch.relu(layer(_go_round(planes, 1)))
        rays = torch.relu(self.flatten(planes.permute(0, 1, 3, 2).flatten(1, 2)))
        for layer in self.ring:
            reach = 2 * layer.dilation[0]
            rays = rays + torch.relu(layer(torch.cat([rays[:, :, -reach:], rays, rays[:, :, :reach]], dim=2)))
        deltas = _DELTA_SCALE * self.delta(rays)[:, 0]
        pooled = torch.cat([rays.mean(dim=2), rays.amax(dim=2), size[:, 0, 0], form[:, 0, 0]], dim=1)
        return 1 + deltas, self.log_sd(pooled) - 3.5


def _go_round(planes: Tensor, reach: int) -> Tensor:
    return torch.cat([planes[:, :, N_RAYS - reach :], planes, planes[:, :, :reach]], dim=2)


def read_network(graph: Path = RIM_GRAPH) -> RimNetwork:
    """A network that `export` wrote, its weights taken from its graph; the one in use if left out."""
    import onnx

    weights = {
        each.name: torch.from_numpy(onnx.numpy_helper.to_array(each).copy())
        for each in onnx.load(graph).graph.initializer
    }
    network = RimNetwork()
    network.load_state_dict({name: weights[name] for name in network.state_dict()})
    return network


def export(network: RimNetwork, path: Path) -> None:
    """Write the graph: `rims`, `sides` of one object in; `radii`, `log_sd` out."""
    from training.export import forget_origin

    example = torch.zeros(1, N_RAYS, len(RIM_RHO)), torch.ones(1, 2)
    with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()):
        warnings.simplefilter("ignore")  # the exporter warns about its own internals
        program = torch.onnx.export(
            network.cpu().eval(),
            example,
            dynamo=True,
            input_names=["rims", "sides"],
            output_names=["radii", "log_sd"],
            verbose=False,
        )
    assert program is not None
    model = program.model_proto
    forget_origin(model)
    path.write_bytes(model.SerializeToString())
