"""What a string induces in a coil, and what the magnets do to the string.

A string that moves carries its moments through the field that the coil would make (reciprocity), and the moments
change as the magnets' field at the string does. Both together are the voltage per velocity of the string.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.core.validity import range_called
from labkit.pickup.string.fields import GAPS, FieldsAtHeight, StringFields, fields_at
from labkit.pickup.string.steel import StringSteel
from labkit.pickup.string.wire import StringWire, WireState, magnetise_wires
from labkit.pickup.winding.inductance import MU_0

PLAYING_DISTANCE = range_called("playing_distance")

_WINDOW_WAVENUMBERS = np.array([300.0, 600.0])  # 1/m: 5 and 10 kHz of a low E; the window is fitted here
_WINDOW_EDGE = np.arange(20.0, 4001.0, 20.0)  # 1/m: where −3 dB is looked for
_SINC_EDGE = 2.7831  # k·w at which sin(k·w/2)/(k·w/2) is −3 dB
_SWING = np.linspace(-1.0, 1.0, 7)
_SWING_REACH = 0.5e-3
_STEP = 1e-4  # of central differences over height and along the row


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StringResponse:
    """Strings over a pickup, one row for each set of inputs.

    Attributes
    ----------
    sensitivity : ndarray, shape (rows, S), V/(m/s)
        Voltage of the whole coil per velocity towards the poles, of a string that moves all along its length.
    kernel : ndarray, shape (rows, S, Y), V/(m/s)/m
        Its density along the segments, mirrored ones counted.
    tilt : ndarray, shape (rows, S, Y), V/(m/s)
        What a slope of the string adds: the axial moment turns with it.
    pull : ndarray, shape (rows, S), N
        Of the magnets on the string, towards the poles.
    centres, lengths : ndarray, shape (Y,), m
        Of the segments; centres from the row of poles on their side.
    """

    sensitivity: np.ndarray
    kernel: np.ndarray
    tilt: np.ndarray
    pull: np.ndarray
    centres: np.ndarray
    lengths: np.ndarray

    def window(self, wavenumber: np.ndarray) -> np.ndarray:
        """Return how much of a standing wave with an antinode over the pole is heard, 1 at wavenumber 0.

        Parameters
        ----------
        wavenumber : ndarray, shape (K,), 1/m
            nπ/ℓ of a partial.

        Returns
        -------
        ndarray, shape (rows, S, K)
        """
        k = np.asarray(wavenumber, dtype=float)
        wave = k * self.centres[:, None]
        part = self.kernel @ (self.lengths[:, None] * np.cos(wave))
        part = part - self.tilt @ (self.lengths[:, None] * k * np.sin(wave))
        heard: np.ndarray = part / self.sensitivity[..., None]
        return heard

    @property
    def window_wavenumber(self) -> np.ndarray:
        """k_1 of the form 1/(1 + (k/k_1)²) that the window follows, shape (rows, S), 1/m (fitted at 300 and 600/m)."""
        lost = 1 / np.clip(self.window(_WINDOW_WAVENUMBERS), 0.05, 0.9999) - 1
        square = _WINDOW_WAVENUMBERS**2
        found: np.ndarray = np.sqrt(np.sum(square**2) / (lost @ square))
        return found

    @property
    def window_width(self) -> np.ndarray:
        """Length of string that a plain average (a sinc) with the same −3 dB point would cover, shape (rows, S), m."""
        heard = self.window(_WINDOW_EDGE)
        edge = np.argmax(heard < np.sqrt(0.5), axis=-1)
        at = np.take_along_axis(heard, np.stack([edge - 1, edge], axis=-1), axis=-1)
        step = _WINDOW_EDGE[1] - _WINDOW_EDGE[0]
        wavenumber = _WINDOW_EDGE[edge] - step * (np.sqrt(0.5) - at[..., 1]) / (at[..., 0] - at[..., 1])
        found: np.ndarray = _SINC_EDGE / wavenumber
        return found


def string_response(
    fields: StringFields,
    wires: tuple[StringWire, ...],
    *,
    gap: np.ndarray,
    turns: np.ndarray | float,
    steel: StringSteel | None = None,
    field_factor: np.ndarray | float = 1.0,
) -> StringResponse:
    """Return sensitivity, window and pull of strings at given heights over a pickup.

    S = −μ0·N·∫ [T·∂h_y + m·∂H_y + 2A_t·∂(H_z·h_z + H_x·h_x)] dy over the string, ∂ = d/dz, T the moment per
    length in the static field H, m = (1 − r·N)⁻¹·r·h_y what the coil's field h of one ampere-turn adds to it along the
    reversible slope r. Pull F = −μ0·∫ [T·∂H_y + 2A_t·(H_z·∂H_z + H_x·∂H_x)] dy.

    Parameters
    ----------
    fields : StringFields
    wires : tuple of StringWire, S of them
    gap : ndarray, shape (rows, S) or (S,), m
        Pole face to middle of the string.
    turns : float or ndarray, shape (rows,)
        N of the coil.
    steel : StringSteel, optional
        Best values unless given.
    field_factor : float or ndarray, shape (rows,)
        On the static field.

    Returns
    -------
    StringResponse

    Raises
    ------
    InputError
        For a height outside `PLAYING_DISTANCE`.

    Validity: the rods do not answer the string (0.5 to 2.5 % of the moment over alnico, up to 5.4 % over steel poles);
    hysteresis and eddy currents of the string are not modelled.
    """
    heights = np.atleast_2d(np.asarray(gap, dtype=float))
    PLAYING_DISTANCE.check(heights)
    factor = np.reshape(np.asarray(field_factor, dtype=float), (-1, 1, 1, 1))
    at = fields_at(fields, heights)
    at = FieldsAtHeight(
        static=at.static * factor, static_slope=at.static_slope * factor, coil=at.coil, coil_slope=at.coil_slope
    )
    material = StringSteel() if steel is None else steel
    interaction = fields.grid.interaction(wires)
    state = magnetise_wires(at.static[..., 1], interaction, wires, material)
    scale = -fields.grid.fold * MU_0 * np.reshape(np.asarray(turns, dtype=float), (-1, 1, 1))
    answer = small_answer(state, interaction, at.coil[..., 1])
    kernel = scale * product_slope(at, wires, state.moment, answer)
    tilt = scale * (answer * at.static[..., 2] + state.moment * at.coil[..., 2])
    lengths = fields.grid.lengths
    across = transverse_area(wires)
    squared = at.static[..., 2] * at.static_slope[..., 2] + at.static[..., 0] * at.static_slope[..., 0]
    pull = -fields.grid.fold * MU_0 * ((state.moment * at.static_slope[..., 1] + 2 * across * squared) @ lengths)
    return StringResponse(
        sensitivity=kernel @ lengths,
        kernel=kernel,
        tilt=tilt,
        pull=pull,
        centres=fields.grid.centres - np.sign(fields.grid.centres) * fields.grid.row,
        lengths=lengths,
    )


def swing_terms(
    fields: StringFields, wires: tuple[StringWire, ...], *, gap: np.ndarray, steel: StringSteel | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Return a_1 and a_2 of a swinging string's sensitivity, S(u) = S·(1 + a_1·u + a_2·u²), u away from the poles.

    The moments follow the field along the reversible line from where they rest; fitted over ± 0.5 mm.

    Parameters
    ----------
    fields, wires, steel
        As `string_response`.
    gap : ndarray, shape (S,), m

    Returns
    -------
    ndarray, shape (S,), 1/m; ndarray, shape (S,), 1/m²
    """
    rest = np.asarray(gap, dtype=float)[None, :]
    reach = np.minimum(_SWING_REACH, 0.8 * (rest - GAPS[0])).clip(min=1e-5)
    interaction = fields.grid.interaction(wires)
    still = fields_at(fields, rest)
    state = magnetise_wires(still.static[..., 1], interaction, wires, StringSteel() if steel is None else steel)
    moved = fields_at(fields, np.minimum(rest + _SWING[:, None] * reach, GAPS[1]))
    moment = state.moment + small_answer(state, interaction, moved.static[..., 1] - still.static[..., 1])
    answer = small_answer(state, interaction, moved.coil[..., 1])
    sensitivity = product_slope(moved, wires, moment, answer) @ fields.grid.lengths
    cubic = np.polynomial.polynomial.polyfit(_SWING, sensitivity / sensitivity[len(_SWING) // 2], 3)
    return cubic[1] / reach[0], cubic[2] / reach[0] ** 2


def sideways_sensitivity(
    fields: StringFields,
    across: StringFields,
    wires: tuple[StringWire, ...],
    *,
    gap: np.ndarray,
    turns: float,
    steel: StringSteel | None = None,
) -> np.ndarray:
    """Return the voltage per velocity along the row of poles, shape (S,), V/(m/s): 0 where a string lies symmetrically.

    Parameters
    ----------
    fields : StringFields
    across : StringFields
        The derivatives of the same fields along the row.
    wires, gap, turns, steel
        As `string_response`, of one row of inputs.
    """
    rest = np.asarray(gap, dtype=float)[None, :]
    at, side = fields_at(fields, rest), fields_at(across, rest)
    interaction = fields.grid.interaction(wires)
    state = magnetise_wires(at.static[..., 1], interaction, wires, StringSteel() if steel is None else steel)
    answer = small_answer(state, interaction, at.coil[..., 1])
    turned = FieldsAtHeight(static=at.static, static_slope=side.static, coil=at.coil, coil_slope=side.coil)
    slope = product_slope(turned, wires, state.moment, answer)[0]
    return np.asarray(-fields.grid.fold * MU_0 * turns * slope @ fields.grid.lengths)


def pull_stiffness(
    fields: StringFields, wires: tuple[StringWire, ...], *, gap: np.ndarray, steel: StringSteel | None = None
) -> np.ndarray:
    """Return how fast the pull falls as a string rises, K_z = −dF/dz, shape (S,), N/m; arguments as `swing_terms`.

    A positive value weakens the string's own stiffness: its partials fall.
    """
    rest = np.asarray(gap, dtype=float)
    ends = np.clip(np.stack([rest - _STEP, rest + _STEP]), *GAPS)
    pull = string_response(fields, wires, gap=ends, turns=1.0, steel=steel).pull
    found: np.ndarray = (pull[0] - pull[1]) / (ends[1] - ends[0])
    return found


def small_answer(state: WireState, interaction: np.ndarray, field: np.ndarray) -> np.ndarray:
    """Return the small moment per length that a small axial field adds, (1 − r·N)⁻¹·r·h, shape (rows, S, Y), A·m."""
    matrix = np.eye(field.shape[-1]) - state.reversible[..., :, None] * interaction
    answer: np.ndarray = np.linalg.solve(matrix, (state.reversible * field)[..., None])[..., 0]
    return answer


def transverse_area(wires: tuple[StringWire, ...]) -> np.ndarray:
    """Return the section that counts across each string, shape (S, 1), m²."""
    return np.array([wire.transverse_area for wire in wires])[:, None]


def product_slope(
    at: FieldsAtHeight, wires: tuple[StringWire, ...], moment: np.ndarray, answer: np.ndarray
) -> np.ndarray:
    """Return T·∂h_y + m·∂H_y + 2A_t·∂(H_z·h_z + H_x·h_x) along the strings, shape (rows, S, Y)."""
    static, static_slope, coil, coil_slope = at.static, at.static_slope, at.coil, at.coil_slope
    across = (
        static[..., 2] * coil_slope[..., 2]
        + coil[..., 2] * static_slope[..., 2]
        + static[..., 0] * coil_slope[..., 0]
        + coil[..., 0] * static_slope[..., 0]
    )
    found: np.ndarray = (
        moment * coil_slope[..., 1] + answer * static_slope[..., 1] + 2 * transverse_area(wires) * across
    )
    return found
