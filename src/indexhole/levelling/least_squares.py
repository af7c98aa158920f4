"""Weighted least squares by orthogonal factors, refined until double precision is used up.

The normal equations lose twice the digits that the matrix is worth (7 of 15 on Longley's data, 11 by QR), so they
are not formed. The refinement is Bjorck's (BIT 7, 1967, from memory): values and residuals are mended together,
their faults computed in the longest float the machine has.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import qr, solve_triangular

Floats = npt.NDArray[np.float64]

_REFINEMENTS = 3


@dataclass(frozen=True, slots=True)
class Solution:
    """What least squares gives, for m observations and u unknowns.

    Attributes:
        values: (u,) estimates.
        covariance: (u, u), taking the uncertainties as given (a variance factor of 1).
        residual: (m,) observed less adjusted.
        basis: (m, u) orthonormal columns that span the whitened design; `basis @ basis.T` is the hat matrix.
        redundancy: (m,) share of each observation's error that shows in its own residual, 0 to 1.
        weighted_square: sum of squared residuals over their variances.
        freedom: m - u.
    """

    values: Floats
    covariance: Floats
    residual: Floats
    basis: Floats
    redundancy: Floats
    weighted_square: float
    freedom: int

    @property
    def variance_factor(self) -> float:
        """Weighted square over freedom; 1 when the uncertainties are right, nan without freedom."""
        return self.weighted_square / self.freedom if self.freedom else float("nan")


def least_squares(matrix: Floats, observed: Floats, uncertainty: Floats | float = 1.0) -> Solution:
    """Minimise sum(((observed - matrix @ values) / uncertainty)^2).

    Args:
        matrix: (m, u), m not below u, of full column rank.
        observed: (m,).
        uncertainty: (m,) standard uncertainties, above 0.

    Raises:
        ValueError: columns that depend on each other, or shapes that do not fit.
    """
    count, unknowns = matrix.shape
    if count < unknowns or observed.shape != (count,):
        raise ValueError("fewer observations than unknowns")
    spread = np.broadcast_to(np.asarray(uncertainty, dtype=np.float64), (count,))
    white, wanted = matrix / spread[:, None], observed / spread
    scale = np.sqrt(np.einsum("ij,ij->j", white, white))
    if unknowns and scale.min() == 0:
        raise ValueError("an unknown that nothing was observed of")
    basis, upper = qr(white / scale, mode="economic", check_finite=False)
    diagonal = np.abs(np.diag(upper))
    if unknowns and diagonal.min() < 1e-13 * count * diagonal.max():
        raise ValueError("columns depend on each other")
    values, residual = _refined(white, wanted, scale, basis, upper)
    root = solve_triangular(upper, np.eye(unknowns), check_finite=False) / scale[:, None]
    return Solution(
        values=values,
        covariance=root @ root.T,
        residual=residual * spread,
        basis=basis,
        redundancy=np.clip(1.0 - np.einsum("ij,ij->i", basis, basis), 0.0, 1.0),
        weighted_square=float(residual @ residual),
        freedom=count - unknowns,
    )


def _refined(white: Floats, wanted: Floats, scale: Floats, basis: Floats, upper: Floats) -> tuple[Floats, Floats]:
    """Values (u,) and whitened residuals (m,), solving residual + white @ values = wanted, white.T @ residual = 0."""
    long_white, long_wanted = white.astype(np.longdouble), wanted.astype(np.longdouble)
    values = np.zeros(len(scale), dtype=np.longdouble)
    residual = np.zeros(len(wanted), dtype=np.longdouble)
    for _ in range(1 + _REFINEMENTS):
        left = (long_wanted - residual - long_white @ values).astype(np.float64)
        slant = (-(long_white.T @ residual)).astype(np.float64) / scale
        along = basis.T @ left
        tilt = solve_triangular(upper, slant, trans="T", check_finite=False)
        values = values + solve_triangular(upper, along - tilt, check_finite=False) / scale
        residual = residual + (left - basis @ (along - tilt))
    return values.astype(np.float64), residual.astype(np.float64)
