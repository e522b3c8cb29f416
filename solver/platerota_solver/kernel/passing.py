"""Named tuples of arrays by reference: what a compiled function is given of one is an address.

numba hands a tuple over field by field, and an array as seven numbers: a schedule under construction with the shop's tables is eight
hundred, written to the stack at each call. That was more than half the time of a decode. An entry refers to its tuples once; what it
calls reads of them what it needs.
"""

from __future__ import annotations

import hashlib
from typing import Any, TypeVar

from llvmlite import ir
from numba.core import cgutils, types
from numba.core.datamodel import models
from numba.core.imputils import impl_ret_borrowed
from numba.core.typing.templates import AttributeTemplate, signature
from numba.extending import infer_getattr, lower_builtin, lower_getattr_generic, register_model, type_callable

_Tuple = TypeVar("_Tuple")


def by_reference(held: _Tuple) -> _Tuple:
    """The same named tuple, in compiled code by its address: only to hand on to functions that this one calls."""
    return held


class Reference(types.Type):
    """The address of a named tuple that the entry holds."""

    def __init__(self, held: Any) -> None:
        self.held = held
        kind = hashlib.sha256(str(held).encode()).hexdigest()[:12]  # its whole name would be in that of every function that takes it
        super().__init__(f"{held.instance_class.__name__}_{kind}")


@register_model(Reference)
class _ReferenceModel(models.PrimitiveModel):
    def __init__(self, dmm: Any, fe_type: Reference) -> None:
        super().__init__(dmm, fe_type, dmm.lookup(fe_type.held).get_value_type().as_pointer())


@type_callable(by_reference)
def _type(_context: Any) -> Any:
    return lambda held: signature(Reference(held), held)


@lower_builtin(by_reference, types.BaseNamedTuple)
def _address(_context: Any, builder: Any, _signature: Any, values: Any) -> Any:
    return cgutils.alloca_once_value(builder, values[0])


@infer_getattr
class _Fields(AttributeTemplate):
    key = Reference

    def generic_resolve(self, reference: Any, field: str) -> Any:  # type: ignore[override]  # numba's says it returns nothing
        """The type of a field; of a tuple within, its address."""
        if field not in reference.held.fields:
            return None
        kind = reference.held.types[reference.held.fields.index(field)]
        return Reference(kind) if isinstance(kind, types.BaseNamedTuple) else kind


@lower_getattr_generic(Reference)
def _field(context: Any, builder: Any, reference: Reference, address: Any, field: str) -> Any:
    k = reference.held.fields.index(field)
    kind = reference.held.types[k]
    at = cgutils.gep_inbounds(builder, address, 0, k)
    if isinstance(kind, types.BaseNamedTuple):
        return at
    return impl_ret_borrowed(context, builder, kind, _load(builder, at))


def _load(builder: Any, at: Any) -> Any:
    """What lies at an address, number by number: of an array mostly one or two are looked at, and the others drop out."""
    kind = at.type.pointee
    if not isinstance(kind, ir.Aggregate):
        return builder.load(at)
    whole = ir.Constant(kind, ir.Undefined)
    for k in range(len(kind.elements)):
        whole = builder.insert_value(whole, _load(builder, cgutils.gep_inbounds(builder, at, 0, k)), k)
    return whole
