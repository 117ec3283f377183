"""Tables of fields: the same characters as number by number."""

import numpy as np
import pytest

from drape.output.field_table import COLUMNS, HEADER, field_table


def row_by_row(plies):
    """The table as Python's own formatting writes it."""
    lines = [HEADER]
    for order, faces, values in plies:
        for face, row in zip(faces.tolist(), values.tolist(), strict=True):
            numbers = [
                "" if np.isnan(x) else f"{np.round(x, digits) + 0.0:.{digits}f}"
                for x, (_, digits) in zip(row, COLUMNS, strict=True)
            ]
            lines.append(",".join([str(order), str(face), *numbers]))
    return ("\n".join(lines) + "\n").encode()


@pytest.mark.parametrize("count", [0, 1, 7, 2000])
def test_numbers_of_all_sizes_are_written_as_python_does(count):
    rng = np.random.default_rng(count)
    values = rng.normal(size=(count, 13)) * 10.0 ** rng.integers(-7, 6, size=(count, 13))
    for special in (np.nan, 0.0, -0.0, -0.0004, 0.0005, 99.9995, -9.9999999, 1.0, -1.0):
        values[rng.random(values.shape) < 0.04] = special
    plies = [(order, np.arange(count) * 997, values[::step]) for order, step in ((1, 1), (12, -1))]
    assert field_table(plies) == row_by_row(plies)


def test_a_table_by_hand():
    values = np.array([[1.0, -2.5, 0.0004, 1.0, 0.0, -1e-7, 0, 1, 0, np.nan, -45.0, 0.22, 245.125]])
    text = field_table([(3, np.array([120]), values)]).decode()
    assert text == (
        f"{HEADER}\n3,120,1.000,-2.500,0.000,1.000000,0.000000,0.000000,0.000000,1.000000,"
        "0.000000,,-45.000,0.22000,245.12\n"
    )
    assert field_table([]) == f"{HEADER}\n".encode()
