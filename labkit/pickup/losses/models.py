"""Models of eddy currents in poles, by the name that a build sheet's ``losses`` key gives them.

A model answers one question: what permeability does a conducting pole show over frequency? The build multiplies it
into the pole's added inductance, so that core inductance and loss follow together. Models come through the hook
``labkit_loss_models``; those of labkit itself too.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError, did_you_mean
from labkit.pickup.losses.cylinder import cylinder_permeability
from labkit.plugins import Brought, plugins

CYLINDER = "conducting cylinder"
"""The model of poles whose sheet names none."""

LOSSLESS = "none"

_ACTIVE = 1e-9


class LossModel(Protocol):
    """What a loss model is: a function that broadcasts its arguments, frequency along the last axis."""

    def __call__(
        self,
        *,
        frequency_hz: ArrayLike,
        relative_permeability: ArrayLike,
        radius: ArrayLike,
        resistivity: ArrayLike,
    ) -> np.ndarray:
        """Return the complex permeability of a pole, e^(jωt): imaginary part 0 or negative, μ itself at 0 Hz.

        Parameters
        ----------
        frequency_hz : array_like, Hz
        relative_permeability : array_like
            Small-signal, at 0 Hz.
        radius : array_like, m
            Of a rod; of a blade that of the columns of equal section it is replaced by (see `Pole.rods`).
        resistivity : array_like, Ω·m
        """
        ...


def lossless_permeability(
    *, frequency_hz: ArrayLike, relative_permeability: ArrayLike, radius: ArrayLike, resistivity: ArrayLike
) -> np.ndarray:
    """Return the permeability of a pole that does not conduct (a ferrite, or what eddy currents cost by comparison)."""
    shape = np.broadcast_shapes(*map(np.shape, (frequency_hz, relative_permeability, radius, resistivity)))
    return np.broadcast_to(np.asarray(relative_permeability, dtype=complex), shape).copy()


LOSS_MODELS: Mapping[str, LossModel] = {CYLINDER: cylinder_permeability, LOSSLESS: lossless_permeability}
"""The models that labkit itself brings."""


def loss_models() -> Mapping[str, Brought]:
    """Return every loss model that plugins bring, by name."""
    return plugins().things("labkit_loss_models", check=_not_a_model)


def check_loss_model(name: str) -> str:
    """Return the name of a loss model that is there.

    Raises
    ------
    InputError
        If there is none of that name; says the nearest.
    """
    if name not in loss_models():
        raise InputError(f"no loss model is named '{name}'.{did_you_mean(name, loss_models())}")
    return name


def pole_permeability(
    name: str,
    *,
    frequency_hz: np.ndarray,
    relative_permeability: np.ndarray,
    radius: np.ndarray,
    resistivity: np.ndarray,
) -> np.ndarray:
    """Return the complex permeability of poles by a named model, checked.

    Parameters
    ----------
    name : str
    frequency_hz : ndarray, shape (F,), Hz
    relative_permeability, radius, resistivity : ndarray, shape (rows, 1); 1, m, Ω·m

    Returns
    -------
    ndarray, complex, shape (rows, F)

    Raises
    ------
    InputError
        If there is no such model, or it fails, returns another shape, numbers that are not finite, or a gain of energy.
    """
    brought = loss_models()[check_loss_model(name)]
    whose = f"the loss model '{name}' of plugin '{brought.plugin}'"
    try:
        value = np.asarray(
            brought.thing(
                frequency_hz=frequency_hz,
                relative_permeability=relative_permeability,
                radius=radius,
                resistivity=resistivity,
            ),
            dtype=complex,
        )
    except Exception as error:
        raise InputError(f"{whose} failed: {type(error).__name__}: {error}") from error
    wanted = np.broadcast_shapes(*map(np.shape, (frequency_hz, relative_permeability, radius, resistivity)))
    if value.shape != wanted:
        raise InputError(f"{whose} must return an array of shape {wanted}; got {value.shape}")
    if not np.all(np.isfinite(value)):
        raise InputError(f"{whose} returns numbers that are not finite")
    # A passive pole cannot give energy; rounding of the built-in series stays a thousand times below this.
    if np.any(value.imag > _ACTIVE * np.abs(value)):
        raise InputError(f"{whose} gives energy away (imaginary part above 0); a pole cannot")
    return value


def _not_a_model(thing: object) -> str:
    return "" if callable(thing) else "a function that returns a complex permeability"
