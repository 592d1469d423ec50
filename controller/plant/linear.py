"""Exact solution of small linear networks over one step, in plain Python.

For x' = A x + B u with u held over the step, the matrix exponential of the augmented matrix
[[A, B], [0, 0]] gives x(t + dt) as a sum of products (C. F. Van Loan, "Computing integrals involving the
matrix exponential", IEEE Trans. Automatic Control 23 (1978) 395-404). Further zero columns integrate
chosen states, so that energy over a step is exact too."""

from collections.abc import Sequence
from operator import mul

Matrix = list[list[float]]

TAYLOR_TERMS = 14  # with the norm scaled below 1/2 the remainder is below 1e-16


def product(left: Matrix, right: Matrix) -> Matrix:
    """The matrix product of two square matrices of one size."""
    columns = list(zip(*right, strict=True))
    return [[sum(map(mul, row, column)) for column in columns] for row in left]


def exponential(matrix: Matrix) -> Matrix:
    """The exponential of a square matrix, by scaling, Taylor series and squaring."""
    size = len(matrix)
    norm = max(sum(abs(value) for value in row) for row in matrix)
    squarings = 0
    while norm > 0.5:
        norm /= 2.0
        squarings += 1
    scaled = [[value / 2.0**squarings for value in row] for row in matrix]
    result = [[1.0 if i == j else 0.0 for j in range(size)] for i in range(size)]
    term = result
    for order in range(1, TAYLOR_TERMS + 1):
        term = [[value / order for value in row] for row in product(term, scaled)]
        result = [[a + b for a, b in zip(x, y, strict=True)] for x, y in zip(result, term, strict=True)]
    for _ in range(squarings):
        result = product(result, result)
    return result


def held_input_step(a: Matrix, b: Matrix, dt_s: float, integrated: Sequence[int]) -> list[tuple[float, ...]]:
    """Rows that carry [states, inputs] over `dt_s` with the inputs held.

    `a` is n x n (1/s), `b` n x m. Returns n rows of n + m factors, one per state, then one row for each
    state number in `integrated` that gives the integral of that state over the step (its unit times s)."""
    states, inputs = len(a), len(b[0])
    size = states + inputs + len(integrated)
    big = [[0.0] * size for _ in range(size)]
    for i in range(states):
        big[i][:states] = [value * dt_s for value in a[i]]
        big[i][states : states + inputs] = [value * dt_s for value in b[i]]
    for k, state in enumerate(integrated):
        big[states + inputs + k][state] = dt_s
    solved = exponential(big)
    kept = [*range(states), *range(states + inputs, size)]
    return [tuple(solved[row][: states + inputs]) for row in kept]
