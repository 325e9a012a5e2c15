"""The numerics below a least squares fit: whitening, QR with refinement, leave-one-out.

Source: G. Golub and C. Van Loan, "Matrix Computations" (Householder QR; refinement with the
residual as a second unknown, which is Å. Björck's), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_REFINEMENTS = 2
"""Rounds of refinement; the second changes no certified digit of the published sets any more."""
_SINGULAR = 1e-13
"""Smallest ratio on R's diagonal, columns scaled to 1 (judgement)."""
_SAME = 1e-8
"""What may be left of a column of length 1 that others should span (judgement)."""


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """The minimum of |b − A x|.

    Attributes:
        estimates: x, shape (p,).
        inverse: (A'A)⁻¹, shape (p, p).
        residuals: b − A x, shape (n,).
        basis: orthonormal columns that span A, shape (n, p).
    """

    estimates: Array
    inverse: Array
    residuals: Array
    basis: Array


def checked(x_matrix: npt.ArrayLike, y: npt.ArrayLike) -> tuple[Array, Array]:
    """Design (n, p) and readings (n,) as arrays of finite numbers that fit each other.

    Raises:
        ValueError: they do not.
    """
    design = np.asarray(x_matrix, dtype=np.float64)
    if design.ndim == 1:
        design = design[:, np.newaxis]
    readings = np.asarray(y, dtype=np.float64)
    if design.ndim != 2 or readings.ndim != 1 or len(design) != len(readings):
        raise ValueError("x needs one row for each reading")
    if len(readings) == 0:
        raise ValueError("there are no readings")
    if not (np.isfinite(design).all() and np.isfinite(readings).all()):
        raise ValueError("a reading or its x is not a number")
    return design, readings


def whitening(
    n: int, weights: npt.ArrayLike | None, covariance: npt.ArrayLike | None
) -> tuple[Array, float]:
    """W with W'W = V⁻¹, shape (n, n), and ln det V.

    Args:
        n: number of readings.
        weights: the diagonal of V⁻¹, or None.
        covariance: V or its diagonal, or None.

    Raises:
        ValueError: both are given, the shape is wrong, or V is not positive definite.
    """
    if weights is not None and covariance is not None:
        raise ValueError("give weights or a covariance, not both")
    if weights is None and covariance is None:
        return np.eye(n), 0.0
    given = np.asarray(weights if covariance is None else covariance, dtype=np.float64)
    if given.shape != (n,) and (covariance is None or given.shape != (n, n)):
        raise ValueError("weights or covariance do not fit the readings")
    if not np.isfinite(given).all():
        raise ValueError("a weight or covariance is not a number")
    if given.ndim == 1:
        if np.any(given <= 0.0):
            raise ValueError("a weight or variance is not above 0")
        inverse = given if covariance is None else 1.0 / given
        return np.diag(np.sqrt(inverse)), -float(np.sum(np.log(inverse)))
    if not np.allclose(given, given.T, rtol=0.0, atol=1e-9 * np.abs(given).max()):
        raise ValueError("the covariance is not symmetric")
    try:
        lower = np.linalg.cholesky(given)
    except np.linalg.LinAlgError:
        raise ValueError("the covariance is not positive definite") from None
    return np.linalg.inv(lower), 2.0 * float(np.sum(np.log(np.diag(lower))))


def solve(a: Array, b: Array) -> Solved:
    """Minimise |b − a x|: scaled columns, Householder QR, refined in extended precision.

    Raises:
        ValueError: the columns of ``a`` (n, p) depend on each other.
    """
    n, p = a.shape
    if p == 0:
        return Solved(np.zeros(0), np.zeros((0, 0)), b, np.zeros((n, 0)))
    lengths = np.linalg.norm(a, axis=0)
    if np.any(lengths == 0.0):
        raise ValueError("the readings do not tell the unknowns apart")
    # Powers of two, so that scaling itself rounds nothing.
    lengths = np.exp2(np.round(np.log2(lengths)))
    scaled = a / lengths
    basis, upper = np.linalg.qr(scaled)
    diagonal = np.abs(np.diag(upper))
    if diagonal.min() <= _SINGULAR * diagonal.max():
        raise ValueError("the readings do not tell the unknowns apart")
    x = np.zeros(p, dtype=np.longdouble)
    residuals = b.astype(np.longdouble)
    wide, wide_b = scaled.astype(np.longdouble), residuals.copy()
    # The first round is the plain solution.  Where long double is double the others do no harm.
    for _ in range(1 + _REFINEMENTS):
        f = (wide_b - residuals - wide @ x).astype(np.float64)
        g = (-(wide.T @ residuals)).astype(np.float64)
        h = np.linalg.solve(upper.T, g)
        d = basis.T @ f
        x = x + np.linalg.solve(upper, d - h)
        residuals = residuals + f + basis @ (h - d)
    inverse_upper = np.linalg.inv(upper) / lengths[:, np.newaxis]
    return Solved(
        estimates=(x / lengths).astype(np.float64),
        inverse=inverse_upper @ inverse_upper.T,
        residuals=residuals.astype(np.float64),
        basis=basis,
    )


def spans(large: Array, small: Array) -> bool:
    """Whether every column of ``small`` (n, q) is a combination of those of ``large`` (n, p)."""
    sizes = np.linalg.norm(large, axis=0)
    basis, _ = np.linalg.qr(large / np.where(sizes > 0.0, sizes, 1.0))
    left = np.linalg.norm(small - basis @ (basis.T @ small), axis=0)
    return bool(np.all(left <= _SAME * np.linalg.norm(small, axis=0)))


def left_out(whitener: Array, solved: Solved) -> tuple[Array, Array]:
    """P y and 1/P_ii with P = W'(I − QQ')W: residuals and variances of leave-one-out.

    O. Dubrule 1983 (cross-validation of kriging), from memory; for independent readings these
    are r_i/σ_i² and σ_i²/(1 − h_i).  The variance is inf where the others cannot predict it.
    """
    own = whitener.T @ solved.residuals
    projected = whitener - solved.basis @ (solved.basis.T @ whitener)
    precision = np.einsum("ji,ji->i", projected, projected)
    whole = np.einsum("ji,ji->i", whitener, whitener)
    alone = precision <= 1e-12 * whole
    with np.errstate(divide="ignore"):
        variance = np.where(alone, np.inf, 1.0 / precision)
    return np.where(alone, 0.0, own), variance
