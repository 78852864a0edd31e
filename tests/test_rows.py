"""Tables that grow: the same as one array put together by numpy."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.rows import PAGE_BYTES, Rows


@pytest.mark.parametrize(("shape", "kind"), [((), np.uint8), ((2, 9), np.float32), ((31,), np.complex64)])
@pytest.mark.parametrize("pages", [0.1, 1.0, 2.5])
def test_whole_is_all_that_was_added(shape, kind, pages):
    random = np.random.default_rng(int(10 * pages))
    row_bytes = np.dtype(kind).itemsize * int(np.prod(shape))
    rows = (100 * random.random((int(pages * PAGE_BYTES / row_bytes), *shape))).astype(kind)
    table = Rows()
    for part in np.array_split(rows, [1, 1, 700, len(rows) // 2, len(rows) - 1]):
        table.add(part)
        assert table.whole().dtype == kind
    assert len(table) == len(rows)
    np.testing.assert_array_equal(table.whole(), rows)


def test_more_may_be_added_after_it_was_asked_for():
    table = Rows()
    assert len(table) == len(table.whole()) == 0
    for _ in range(3):
        table.add(np.ones((PAGE_BYTES // 16, 3), np.float32))
        table.whole()
    table.add(np.zeros((1, 3), np.float32))
    assert table.whole().sum() == 3 * 3 * (PAGE_BYTES // 16)
    assert not table.whole()[-1].any()
