"""Weights to go on from: a checkpoint, or the shipped file, whose normalisations were folded away and are set up anew.

Also the mean of several nets, whose normalisations no longer fit and are measured again.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from pathlib import Path

import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn

from handwriting.reader.train.net import ReaderNet

log = logging.getLogger(__name__)

_GROWN = 0.1


def _normed(net: nn.Module) -> dict[str, tuple[nn.Conv2d, nn.BatchNorm2d]]:
    """Every convolution that a normalisation follows, by the convolution's name."""
    found = {}
    for name, module in net.named_modules():
        if isinstance(module, nn.Sequential):
            for i in range(len(module) - 1):
                conv, norm = module[i], module[i + 1]
                if isinstance(conv, nn.Conv2d) and isinstance(norm, nn.BatchNorm2d):
                    found[f"{name}.{i}"] = conv, norm
    return found


@torch.no_grad()
def load(net: ReaderNet, source: Path) -> bool:
    """Load a checkpoint (`.pt`) or an exported net (`.onnx`); true when its normalisations are still to `unfold`.

    Parts that an earlier net had not stay as they start.
    """
    if source.suffix != ".onnx":
        state = torch.load(source, map_location="cpu")
        fresh = net.load_state_dict({k: v.float() if v.is_floating_point() else v for k, v in state.items()}, False)
        log.info("new parts: %s; parts not known: %s", fresh.missing_keys, fresh.unexpected_keys)
        return False
    stored = {
        weight.name.removesuffix("_16"): torch.from_numpy(numpy_helper.to_array(weight).copy()).float()
        for weight in onnx.load(source).graph.initializer
    }
    for name, (_, norm) in _normed(net).items():
        norm.running_var.fill_(1 - norm.eps)
        norm.bias.copy_(stored.pop(f"{name}.bias").to(norm.bias.device))
    fresh = net.load_state_dict(stored, strict=False)
    log.info("parts not known: %s", fresh.unexpected_keys)
    return True


@torch.no_grad()
def unfold(net: ReaderNet, batches: Iterable[Tensor]) -> None:
    """Give every normalisation the mean and spread it meets in training; what the net says stays the same.

    The convolutions' weights, whose size no longer counts, are brought to the size that training gives them.
    """
    normed = _normed(net)
    sums = {name: torch.zeros(3, norm.num_features, device=norm.weight.device) for name, (_, norm) in normed.items()}

    def watch(name: str) -> None:
        def add(_: nn.Module, given: tuple[Tensor]) -> None:
            x = given[0].float()
            sums[name] += torch.stack([x.mean((0, 2, 3)), (x * x).mean((0, 2, 3)), torch.ones_like(sums[name][2])])

        hooks.append(normed[name][1].register_forward_pre_hook(add))

    hooks: list[torch.utils.hooks.RemovableHandle] = []
    for name in normed:
        watch(name)
    net.train()
    for _, norm in normed.values():
        norm.eval()
    for ink in batches:
        net(ink)
    for hook in hooks:
        hook.remove()
    for name, (conv, norm) in normed.items():
        mean, square = sums[name][:2] / sums[name][2]
        spread = (square - mean**2).clamp(min=1e-6)
        size = float(conv.weight.square().mean().sqrt())
        factor = (1 / (3 * conv.weight[0].numel()) + _GROWN**2) ** 0.5 / size
        norm.bias.add_(mean)
        norm.weight.copy_((spread * factor**2 + norm.eps).sqrt() / factor)
        conv.weight.mul_(factor)
        norm.running_mean.copy_(mean * factor)
        norm.running_var.copy_(spread * factor**2)
    net.train()


@torch.no_grad()
def mean_of(states: list[dict[str, Tensor]]) -> dict[str, Tensor]:
    """Mean of several nets of one line of descent, number by number."""
    return {k: torch.stack([state[k].float() for state in states]).mean(0) for k in states[0]}


@torch.no_grad()
def measure_norms(net: ReaderNet, batches: Iterable[Tensor]) -> None:
    """Measure every normalisation's mean and spread anew, as training sees them."""
    norms = [norm for _, norm in _normed(net).values()]
    before = [norm.momentum for norm in norms]
    for norm in norms:
        norm.reset_running_stats()
        norm.momentum = None
    net.train()
    for ink in batches:
        net(ink)
    for norm, momentum in zip(norms, before, strict=True):
        norm.momentum = momentum
