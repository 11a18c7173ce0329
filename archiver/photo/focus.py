"""How sharp a picture is: the blur of its edges, told in pixels."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]
_Plane = NDArray[np.float32]

# In pixels of the picture binned 2 x 2. A pass of (1, 2, 1) / 4 with step s has variance
# s * s / 2.
_FINE_STEPS: Final = (1, 1)
_COARSE_STEPS: Final = (2, 2)
_STEP: Final = sum(s * s / 2 for s in _COARSE_STEPS)
_LOST: Final = sum(_COARSE_STEPS)
# The variance of the finer smoothing and its difference is 1.25 for a lone straight edge, and
# seems less where edges and texture stand close. With this in its place neither kind of picture
# reads zero while it is sharp; blurs of three pixels and more come out right to about a sixth.
_OWN: Final = 0.5
_LARGEST: Final = 20.0
_BLOCK: Final = 16
_SMALLEST: Final = 2 * (_LOST + sum(_FINE_STEPS) + 1) + _BLOCK
# Mean squared gradient of a block below which there is no edge: one of about two levels.
_FAINT: Final = 0.02


def edge_blur(tiles: Sequence[Pixels]) -> float | None:
    """Estimate by how many pixels edges are blurred, whatever their contrast.

    A step blurred by a Gaussian of variance v, smoothed by one of variance s, has a gradient
    energy proportional to 1 / sqrt(v + s). So the ratio of the energies at two known s gives
    v, and the contrast cancels; more blur always lowers the ratio, whatever the picture.
    Edges weigh by their contrast squared. Noise would pass for fine detail: its strength is
    estimated from second differences that edges hardly touch (median of absolute diagonal
    details, D. L. Donoho and I. M. Johnstone, Biometrika 81:425, 1994; from memory), and what
    it adds to both energies is taken off.

    Returns
    -------
    float or None
        Standard deviation of the blur in pixels of the tiles, at most 20; a picture that is
        sharp to the pixel reads 1 to 2. None where no edge stands out from the noise.
    """
    fine, coarse, noise = [], [], []
    for tile in tiles:
        plane = _binned(tile)
        if min(plane.shape) < _SMALLEST:
            continue
        detail = plane[:-1, :-1] - plane[1:, :-1] - plane[:-1, 1:] + plane[1:, 1:]
        noise.append(np.abs(detail[::2, ::2]).ravel())
        smooth = _smoothed(plane, _FINE_STEPS)
        wide = _smoothed(smooth, _COARSE_STEPS)
        # The wider smoothing loses more of the margin; both are cut to what it leaves.
        fine.append(_block_energies(smooth[_LOST:-_LOST, _LOST:-_LOST]))
        coarse.append(_block_energies(wide))
    if not fine:
        return None
    # Each detail is a sum of four values, so twice the noise's standard deviation.
    variance = (float(np.median(np.concatenate(noise))) / 0.6745 / 2) ** 2
    # Quantisation to whole levels is noise too, even where the median of details is zero.
    variance = max(variance, 1 / 12 / 4)
    sharp = np.concatenate(fine) - variance * _FINE_NOISE
    blunt = np.maximum(np.concatenate(coarse) - variance * _COARSE_NOISE, 0)
    weight = float(blunt.sum())
    if weight <= 0 or float(blunt.max()) < 8 * variance * _COARSE_NOISE + _FAINT:
        return None
    squared = (float(sharp.sum()) / weight) ** 2
    if squared <= 1:
        return _LARGEST
    return min(2 * float(np.sqrt(max(_STEP / (squared - 1) - _OWN, 0.01))), _LARGEST)


def _binned(tile: Pixels) -> _Plane:
    """Green of 2 x 2 pixels together: less noise, and no trace of the colour filter mosaic.

    Green alone is what mosaics sample most densely, and where teeth and gums differ most.
    """
    rows, columns = (length // 2 * 2 for length in tile.shape[:2])
    green = (tile if tile.ndim == 2 else tile[:, :, 1])[:rows, :columns]
    pairs = np.add(green[::2], green[1::2], dtype=np.uint16)
    four: _Plane = (pairs[:, ::2] + pairs[:, 1::2]).astype(np.float32)
    four *= np.float32(0.25)
    return four


def _smoothed(plane: _Plane, steps: Sequence[int]) -> _Plane:
    """Smooth by (1, 2, 1) / 4 both ways, once a step, samples that far apart; margins go."""
    two = np.float32(2)
    for step in steps:
        across = plane[:, : -2 * step] + two * plane[:, step:-step] + plane[:, 2 * step :]
        plane = across[: -2 * step] + two * across[step:-step] + across[2 * step :]
        plane *= np.float32(1 / 16)
    return plane


def _block_energies(plane: _Plane) -> NDArray[np.float64]:
    """Mean squared gradient of every whole block, as a list."""
    across = (plane[1:-1, 2:] - plane[1:-1, :-2]) * np.float32(0.5)
    down = (plane[2:, 1:-1] - plane[:-2, 1:-1]) * np.float32(0.5)
    energy = across * across + down * down
    rows, columns = (length // _BLOCK for length in energy.shape)
    blocks = energy[: rows * _BLOCK, : columns * _BLOCK]
    means: NDArray[np.float64] = blocks.reshape(rows, _BLOCK, columns, _BLOCK).mean(
        axis=(1, 3), dtype=np.float64
    )
    return means.ravel()


def _noise_gain(steps: Sequence[int]) -> float:
    """Mean squared gradient that white noise of variance 1 leaves behind the smoothing."""
    kernel = np.ones(1)
    for step in steps:
        taps = np.zeros(2 * step + 1)
        taps[[0, step, -1]] = 0.25, 0.5, 0.25
        kernel = np.convolve(kernel, taps)
    slope = np.convolve(kernel, (0.5, 0.0, -0.5))
    return float(2 * (slope**2).sum() * (kernel**2).sum())


_FINE_NOISE: Final = _noise_gain(_FINE_STEPS)
_COARSE_NOISE: Final = _noise_gain((*_FINE_STEPS, *_COARSE_STEPS))
