"""Sketches packed into bytes and back."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from catalogue_audit.measures.sketch import pack_sketch, unpack_sketch

ARRAYS = st.one_of(
    arrays(dtype, array_shapes(min_dims=0, max_dims=3, min_side=0, max_side=9))
    for dtype in (np.uint8, np.bool_, np.float32, np.float64)
)


@given(st.dictionaries(st.text(min_size=1, max_size=12), ARRAYS, max_size=6))
def test_a_sketch_comes_back_as_it_was_packed(sketch):
    found = unpack_sketch(pack_sketch(sketch))
    assert set(found) == set(sketch)
    for key, array in sketch.items():
        assert (found[key].dtype, found[key].shape) == (array.dtype, array.shape)
        assert found[key].tobytes() == array.tobytes()


def test_equal_sketches_give_equal_bytes_whatever_the_order_of_their_keys():
    one = {"thumb": np.arange(12, dtype=np.uint8).reshape(2, 2, 3), "tones": np.ones(19, np.float32)}
    assert pack_sketch(one) == pack_sketch(dict(reversed(one.items())))


def test_a_key_that_is_not_there_is_told_as_of_any_mapping():
    found = unpack_sketch(pack_sketch({}))
    assert (len(found), found.get("mask")) == (0, None)
