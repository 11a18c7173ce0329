"""Train the network of the tooth map.

    python -m tests.vision.training FOLDER --out FILE [--without NAME ...] [--from FILE]

FOLDER holds the photographs that ``hand_regions.txt`` names; ``--without p0`` leaves a person out,
to be measured on. Needs JAX, which nothing else here does. Six minutes of one core reach nearly
what there is to reach; a run begun with the numbers of another goes on from there.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
from jax import lax

from archiver.vision.tooth_map import Part
from tests.vision.training.changes import changed
from tests.vision.training.truth import NO_TOOTH, UNKNOWN, photograph, regions, renderings

CHANNELS = (16, 24, 48, 80, 112)
_BATCH = 8
Weights = dict[str, Any]


def begun(rng: np.random.Generator) -> Weights:
    """Return weights to begin with."""
    found: Weights = {}

    def unit(name: str, deep: int, wide: int) -> None:
        found[name + "w"] = rng.normal(0, np.sqrt(2 / (9 * deep)), (3, 3, deep, wide))
        found[name + "b"], found[name + "g"] = np.zeros(wide), np.ones(wide)

    for level, wide in enumerate(CHANNELS):
        unit(f"d{level}a", 12 if level == 0 else CHANNELS[level - 1], wide)
        if level > 0:
            unit(f"d{level}b", wide, wide)
    for level in range(len(CHANNELS) - 1):
        deep, wide = CHANNELS[level + 1], CHANNELS[level]
        found[f"u{level}p"] = rng.normal(0, np.sqrt(1 / deep), (1, 1, deep, wide))
        unit(f"u{level}a", wide, wide)
    found["ow"] = rng.normal(0, 0.05, (1, 1, CHANNELS[0], len(Part)))
    found["ob"] = np.zeros(len(Part))
    return {name: jnp.asarray(value, jnp.float32) for name, value in found.items()}


def _convolved(value: Any, kernel: Any) -> Any:
    return lax.conv_general_dilated(
        value, kernel, (1, 1), "SAME", dimension_numbers=("NHWC", "HWIO", "NHWC")
    )


def scores(weights: Weights, pictures: Any) -> Any:
    """Evaluate the network as `archiver.vision.tooth_map.evaluated` does, on several pictures."""

    def unit(name: str, value: Any) -> Any:
        value = _convolved(value, weights[name + "w"]) + weights[name + "b"]
        value *= lax.rsqrt((value * value).mean(-1, keepdims=True) + 1e-3) * weights[name + "g"]
        return jax.nn.relu(value)

    n, rows, columns, _ = pictures.shape
    value = pictures.reshape(n, rows // 2, 2, columns // 2, 2, 3).transpose(0, 1, 3, 2, 4, 5)
    value = value.reshape(n, rows // 2, columns // 2, 12)
    down = []
    for level in range(len(CHANNELS)):
        value = unit(f"d{level}a", value)
        if level > 0:
            value = unit(f"d{level}b", value)
        down.append(value)
        if level < len(CHANNELS) - 1:
            n, high, wide, deep = value.shape
            value = value.reshape(n, high // 2, 2, wide // 2, 2, deep).mean((2, 4))
    for level in range(len(CHANNELS) - 2, -1, -1):
        value = _convolved(value, weights[f"u{level}p"])
        value = jnp.repeat(jnp.repeat(value, 2, 1), 2, 2) + down[level]
        value = unit(f"u{level}a", value)
    return _convolved(value, weights["ow"]) + weights["ob"]


def loss(weights: Weights, pictures: Any, parts: Any) -> Any:
    """Cross entropy of the parts, and the overlap of the teeth once more."""
    odds = jax.nn.log_softmax(scores(weights, pictures))
    named = parts < len(Part)
    chosen = jnp.where(named, parts, 0)[..., None].astype(int)
    entropy = -jnp.take_along_axis(odds, chosen, -1)[..., 0]
    tooth = jnp.exp(odds[..., 0])
    entropy = jnp.where(
        named, entropy, jnp.where(parts == NO_TOOTH, -jnp.log(1 - 0.999 * tooth), 0)
    )
    known, true = parts != UNKNOWN, parts == Part.TOOTH
    both = (tooth * true).sum((1, 2))
    all_ = (tooth * known).sum((1, 2)) + true.sum((1, 2))
    return entropy.sum() / known.sum() + 0.5 * (1 - (2 * both + 50) / (all_ + 50)).mean()


@jax.jit
def _step(state: tuple[Weights, ...], n: Any, rate: Any, pictures: Any, parts: Any) -> Any:
    """One step of Adam; the last of the state is the running mean that is kept."""
    weights, first, second, kept = state
    value, slope = jax.value_and_grad(loss)(weights, pictures, parts)
    steep = jnp.sqrt(sum((one * one).sum() for one in jax.tree.leaves(slope)))
    slope = jax.tree.map(lambda g: g * jnp.minimum(1, 1 / steep), slope)
    first = jax.tree.map(lambda m, g: 0.9 * m + 0.1 * g, first, slope)
    second = jax.tree.map(lambda v, g: 0.99 * v + 0.01 * g * g, second, slope)

    def moved(w: Any, m: Any, v: Any) -> Any:
        ahead = (m / (1 - 0.9**n)) / (jnp.sqrt(v / (1 - 0.99**n)) + 1e-7)
        return w - rate * (ahead + 1e-3 * w)

    weights = jax.tree.map(moved, weights, first, second)
    share = jnp.minimum(0.99, n / (n + 20))
    kept = jax.tree.map(lambda k, w: share * k + (1 - share) * w, kept, weights)
    return (weights, first, second, kept), value


def _examples(folder: Path, without: list[str]) -> list[tuple[Any, Any, float]]:
    """Pictures, parts and how often each is drawn."""
    found = [
        (*photograph(folder, name, drawn), 3.0 if name[0] == "p" else 1.0)
        for name, drawn in regions().items()
        if not any(name.startswith(one) for one in without)
    ]
    return found + [(picture, parts, 0.4) for picture, parts in renderings()]


def main() -> None:
    """Train for so many minutes of the processor."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--without", nargs="*", default=[])
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--from", dest="start", type=Path)
    options = parser.parse_args()
    rng = np.random.default_rng(1)
    examples = _examples(options.folder, options.without)
    share = np.array([often for _, _, often in examples])
    donors = [(p, d) for p, d, _ in examples if (d == Part.FOREIGN).mean() > 0.1]
    weights = begun(rng)
    if options.start:
        with np.load(options.start) as stored:
            weights = {name: jnp.asarray(stored[name], jnp.float32) for name in stored.files}
    none = jax.tree.map(jnp.zeros_like, weights)
    state, n, start, end = (
        (weights, none, none, weights),
        0,
        time.process_time(),
        60 * options.minutes,
    )
    while (done := (time.process_time() - start) / end) < 1:
        made = []
        for one in rng.choice(len(examples), _BATCH, p=share / share.sum()):
            donor = donors[rng.integers(len(donors))] if donors and rng.random() < 0.4 else None
            made.append(changed(examples[one][0], examples[one][1], donor, rng))
        n += 1
        rate = 3e-3 * min(1, n / 30) * (0.5 + 0.5 * np.cos(np.pi * done)) + 2e-5
        batch = (np.stack([p for p, _ in made]), np.stack([d for _, d in made]))
        state, value = _step(state, float(n), float(rate), *batch)
        if n % 100 == 0:
            print(f"step {n}, loss {float(value):.3f}", flush=True)
    kept = {name: np.asarray(value, np.float16) for name, value in state[3].items()}
    np.savez_compressed(options.out, **kept)  # type: ignore[arg-type]


if __name__ == "__main__":
    main()
