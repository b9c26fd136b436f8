"""Sixteen float32 numbers side by side in compiled code: one vector register, or two or four of a smaller processor.

A compiler fills vector registers by itself from plain loops, but then it keeps running sums in memory and asks before
each short loop whether its arrays overlap. Kernels that work on lanes say themselves what is loaded, kept and stored;
sums, products and quotients are written as usual, of lanes with lanes or with a float32. Without compilation
(NUMBA_DISABLE_JIT) lanes are NumPy arrays.
"""

import operator
from collections.abc import Callable
from typing import Any, cast

import numpy as np
from llvmlite import ir
from numba.core import cgutils, config, types
from numba.extending import intrinsic, models, overload, register_model

CODE: Any = cgutils  # numba declares no types
COMPILED = not cast(Any, config).DISABLE_JIT
WIDTH = 16
FLOAT, BITS = ir.FloatType(), ir.IntType(32)
VECTOR, VECTOR_BITS = ir.VectorType(FLOAT, WIDTH), ir.VectorType(BITS, WIDTH)
FUSED = ("contract", "nsz")  # a product and a sum may be one instruction
TWO_THIRDS_BITS = 0x3F2AAAAB  # of float32
MANTISSA_BITS = 23


class Lanes(types.Type):
    """The type of sixteen numbers that stand in registers."""

    def __init__(self) -> None:
        super().__init__(name="Lanes")


@register_model(Lanes)
class _Model(models.PrimitiveModel):
    def __init__(self, manager: Any, lanes: Any) -> None:
        super().__init__(manager, lanes, VECTOR)  # type: ignore[no-untyped-call]


def _either(plain: Callable[..., Any]) -> Callable[[Callable[..., Any]], Any]:
    """Make an intrinsic of numba; without compilation, the plain function."""
    return lambda compiled: intrinsic(compiled) if COMPILED else plain


def _place(context: Any, builder: Any, array: Any, value: Any, index: Any, at: Any) -> Any:
    """Pointer to the lanes that begin at an index of a C-contiguous array."""
    made = context.make_array(array)(context, builder, value=value)
    indices = CODE.unpack_tuple(builder, at, len(index))
    indices = [context.cast(builder, i, kind, types.intp) for i, kind in zip(indices, index, strict=True)]
    pointer = CODE.get_item_pointer(context, builder, array, made, indices)
    return builder.bitcast(pointer, VECTOR.as_pointer())


def _load(array: Any, index: Any) -> Any:
    return array[index[:-1]][index[-1] : index[-1] + WIDTH].copy()


@_either(_load)
def load(typing: Any, array: Any, index: Any) -> Any:
    """load(array, index): the lanes from an index on, of a C-contiguous float32 array."""

    def code(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        return builder.load(_place(context, builder, array, values[0], index, values[1]), align=4)

    return Lanes()(array, index), code


def _store(array: Any, index: Any, lanes: Any) -> None:
    array[index[:-1]][index[-1] : index[-1] + WIDTH] = lanes


@_either(_store)
def store(typing: Any, array: Any, index: Any, lanes: Any) -> Any:
    """store(array, index, lanes): write lanes from an index on."""

    def code(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        builder.store(values[2], _place(context, builder, array, values[0], index, values[1]), align=4)
        return context.get_dummy_value()

    return types.void(array, index, lanes), code


def _splat(builder: Any, value: Any) -> Any:
    first = builder.insert_element(ir.Constant(VECTOR, ir.Undefined), value, ir.Constant(BITS, 0))
    return builder.shuffle_vector(first, first, ir.Constant(ir.VectorType(BITS, WIDTH), [0] * WIDTH))


@_either(lambda value: np.full(WIDTH, value, np.float32))
def splat(typing: Any, value: Any) -> Any:
    """splat(value): sixteen times the same float32."""
    return Lanes()(types.float32), lambda context, builder, signature, values: _splat(builder, values[0])


@_either(lambda lanes: lanes.sum())
def total(typing: Any, lanes: Any) -> Any:
    """total(lanes): their sum, float32."""

    def code(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        left, width = values[0], WIDTH
        while width > 1:
            width //= 2
            halves = [ir.Constant(ir.VectorType(BITS, width), list(range(k, k + width))) for k in (0, width)]
            parts = [builder.shuffle_vector(left, left, half) for half in halves]
            left = builder.fadd(*parts)
        return builder.extract_element(left, ir.Constant(BITS, 0))

    return types.float32(Lanes()), code


def _vector(kind: Any, type_of_one: Any) -> Any:
    """The machine's type: of lanes or, where a kind is a plain float32, of one number."""
    return ir.VectorType(type_of_one, WIDTH) if isinstance(kind, Lanes) else type_of_one


def _constant(kind: Any, number: int) -> Any:
    return ir.Constant(_vector(kind, BITS), [number] * WIDTH if isinstance(kind, Lanes) else number)


def _choice(sign: str, a: Any, b: Any) -> Any:
    def code(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        return builder.select(builder.fcmp_ordered(sign, *values), *values)

    return a(a, b), code


@_either(np.maximum)
def larger(typing: Any, a: Any, b: Any) -> Any:
    """larger(a, b): the larger of two, lanes or float32 alike."""
    return _choice(">", a, b)


@_either(np.minimum)
def smaller(typing: Any, a: Any, b: Any) -> Any:
    """smaller(a, b): the smaller of two, lanes or float32 alike."""
    return _choice("<", a, b)


@_either(np.floor)
def floor(typing: Any, x: Any) -> Any:
    """floor(x): the whole number below, of lanes or a float32."""

    def code(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        kind = _vector(x, FLOAT)
        name = f"llvm.floor.v{WIDTH}f32" if isinstance(x, Lanes) else "llvm.floor.f32"
        floor_of = CODE.get_or_insert_function(builder.module, ir.FunctionType(kind, [kind]), name)
        return builder.call(floor_of, values)

    return x(x), code


def _exponent_bits(builder: Any, kind: Any, value: Any) -> tuple[Any, Any]:
    bits = builder.bitcast(value, _vector(kind, BITS))
    above = builder.sub(bits, _constant(kind, TWO_THIRDS_BITS))
    return bits, builder.ashr(above, _constant(kind, MANTISSA_BITS))


def _exponent(x: Any) -> Any:
    return ((x.view(np.int32) - TWO_THIRDS_BITS) >> MANTISSA_BITS).astype(np.float32)


@_either(_exponent)
def exponent(typing: Any, x: Any) -> Any:
    """exponent(x): of 2, what leaves a mantissa in [2/3, 4/3); of lanes or a float32, positive and normal."""

    def code(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        return builder.sitofp(_exponent_bits(builder, x, values[0])[1], _vector(x, FLOAT))

    return x(x), code


@_either(lambda x: np.ldexp(x, -_exponent(x).astype(np.int32)))
def mantissa(typing: Any, x: Any) -> Any:
    """mantissa(x): in [2/3, 4/3), see `exponent`."""

    def code(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        bits, power = _exponent_bits(builder, x, values[0])
        return builder.bitcast(builder.sub(bits, builder.shl(power, _constant(x, MANTISSA_BITS))), _vector(x, FLOAT))

    return x(x), code


def _arithmetic(name: str) -> Any:
    def written(typing: Any, a: Any, b: Any) -> Any:
        def code(context: Any, builder: Any, signature: Any, values: Any) -> Any:
            pair = [
                value if isinstance(kind, Lanes) else _splat(builder, value)
                for value, kind in zip(values, (a, b), strict=True)
            ]
            return getattr(builder, name)(*pair, flags=FUSED)

        return Lanes()(a, b), code

    operation: Any = intrinsic(written)

    def implementation(a: Any, b: Any) -> Any:
        kinds = (a, b)
        if not any(isinstance(kind, Lanes) for kind in kinds):
            return None
        if not all(isinstance(kind, Lanes) or kind == types.float32 for kind in kinds):
            return None
        return lambda a, b: operation(a, b)  # noqa: PLW0108 (only a function can be compiled)

    return implementation


for _operator, _name in (
    (operator.add, "fadd"),
    (operator.iadd, "fadd"),
    (operator.sub, "fsub"),
    (operator.mul, "fmul"),
    (operator.truediv, "fdiv"),
):
    overload(_operator, strict=False)(_arithmetic(_name))
