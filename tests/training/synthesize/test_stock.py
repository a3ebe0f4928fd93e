"""Stocks are the same wherever they come from."""

import numpy as np

from training.synthesize.kinds import KINDS
from training.synthesize.stock import OBJECTS_IN_A_STOCK, draw_stock, store_stocks


def test_stored_stock_equals_the_drawn_one(tmp_path):
    kind = KINDS["air_bubble"]
    stored = store_stocks(tmp_path, workers=1, kinds={kind.name: kind})(kind, 3)
    drawn = draw_stock(kind, 3)
    assert np.array_equal(stored.outline_um, drawn.outline_um)
    assert stored.parameters.keys() == drawn.parameters.keys()
    assert all(np.array_equal(stored.parameters[name], drawn.parameters[name]) for name in drawn.parameters)
    assert len(stored.outline_um) == OBJECTS_IN_A_STOCK


def test_stocks_of_a_kind_differ():
    kind = KINDS["air_bubble"]
    assert not np.array_equal(draw_stock(kind, 0).outline_um, draw_stock(kind, 1).outline_um)
