"""`dataclass` for frozen values, made without writing and compiling text.

The standard one writes six methods a class as text and compiles them. That takes a third of a
millisecond, and a command that judges loads ninety such classes before it reads a file. What is
made here behaves the same: fields, defaults, `replace`, `fields`, equality, hash, copies, and an
error for whoever sets a field. Below everything, so that every layer may use it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dataclasses import dataclass
else:
    from dataclasses import MISSING, FrozenInstanceError, fields
    from dataclasses import dataclass as _standard

    def dataclass(*, frozen, slots, eq=True):
        """As `dataclasses.dataclass` with these arguments; frozen and slots must be true."""
        assert frozen
        assert slots

        def made(cls):
            # Without words of its own the standard one would look for the signature.
            cls.__doc__ = cls.__doc__ or cls.__name__
            own = set(vars(cls))
            new = _standard(init=False, repr=False, eq=False, slots=True)(cls)
            methods = {**_methods(new), **(_compared(new) if eq else {})}
            for name, method in methods.items():
                if name not in own:
                    setattr(new, name, method)
            return new

        return made

    def _methods(cls):
        told = fields(cls)
        names = tuple(f.name for f in told)
        puts = tuple(getattr(cls, name).__set__ for name in names)
        post = getattr(cls, "__post_init__", None)

        def __init__(self, *args, **named):
            if named or len(args) != len(puts):
                args = _filled(cls, told, args, named)
            for put, value in zip(puts, args, strict=True):
                put(self, value)
            if post is not None:
                post(self)

        def __repr__(self):
            shown = ", ".join(f"{n}={getattr(self, n)!r}" for n in names)
            return f"{type(self).__qualname__}({shown})"

        def __reduce__(self):
            return type(self), tuple(getattr(self, n) for n in names)

        return {
            "__init__": __init__,
            "__repr__": __repr__,
            "__reduce__": __reduce__,
            "__setattr__": _refuse_to_set,
            "__delattr__": _refuse_to_delete,
        }

    def _compared(cls):
        names = tuple(f.name for f in fields(cls))

        def __eq__(self, other):
            if other.__class__ is not self.__class__:
                return NotImplemented
            return tuple(getattr(self, n) for n in names) == tuple(getattr(other, n) for n in names)

        def __hash__(self):
            return hash(tuple(getattr(self, n) for n in names))

        return {"__eq__": __eq__, "__hash__": __hash__}

    def _filled(cls, told, args, named):
        """One value a field, in order. Raises TypeError as a call with wrong arguments does."""
        names = [f.name for f in told]
        if len(args) > len(names):
            raise TypeError(
                f"{cls.__name__}() takes {len(names)} values but {len(args)} were given"
            )
        given = dict(zip(names, args, strict=False))
        for name in named:
            if name not in names:
                raise TypeError(f"{cls.__name__}() got an unexpected keyword argument {name!r}")
            if name in given:
                raise TypeError(f"{cls.__name__}() got multiple values for argument {name!r}")
        given.update(named)
        values = []
        for field in told:
            if field.name in given:
                values.append(given[field.name])
            elif field.default is not MISSING:
                values.append(field.default)
            elif field.default_factory is not MISSING:
                values.append(field.default_factory())
            else:
                raise TypeError(f"{cls.__name__}() missing the argument {field.name!r}")
        return values

    def _refuse_to_set(self, name, value):
        raise FrozenInstanceError(f"cannot assign to field {name!r}")

    def _refuse_to_delete(self, name):
        raise FrozenInstanceError(f"cannot delete field {name!r}")


__all__ = ["dataclass"]
