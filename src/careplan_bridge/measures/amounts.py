"""One value among tokens: a number, a range, three numbers, a share of a scale, with sign, comparator and unit."""

from collections.abc import Sequence
from decimal import Decimal

from careplan_bridge.measures.landmarks import UnitOf
from careplan_bridge.measures.numbers import decimal
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.tokens import Token
from careplan_bridge.measures.words import Said
from careplan_bridge.model.conventions import Conventions

_COMPARATORS = {"\u2264": "<=", "\u2265": ">="}
_MOST = 3  # numbers in one value
_JOINS = ("dash", "stroke")


class Amounts:
    """Takes one value from a place in the tokens on. `place` is then behind it."""

    def __init__(self, tokens: Sequence[Token], place: int, site: Conventions, unit_of: UnitOf) -> None:
        self._tokens = tokens
        self._site = site
        self._unit_of = unit_of
        self._units: set[str] = set()
        self.place = place

    def said(self) -> Said | None:
        """The value, or None if none begins here. Raises Refused for numbers that can be read in more than one way."""
        comparator = self._taken("comparator")
        sign = "" if comparator else self._sign()
        if not self._is("number"):
            return None
        numbers = [self._number()]
        joins: list[str] = []
        while len(numbers) < _MOST and not comparator and not sign and (join := self._join()):
            joins.append(join)
            numbers.append(self._number())
        return self._put_together(numbers, joins, sign, comparator and _COMPARATORS.get(comparator, comparator))

    def _put_together(self, numbers: list[Decimal], joins: list[str], sign: str, comparator: str | None) -> Said:
        if len(self._units) > 1 or joins == ["stroke", "dash"]:
            raise unknown(self._tokens[self.place - 1])
        unit = next(iter(self._units), None)
        if joins and joins[-1] == "stroke" and joins != ["stroke", "stroke"]:
            return Said(tuple(numbers[:-1]), unit, out_of=self._whole(numbers[-1]))
        return Said(tuple(numbers), unit, sign, comparator)

    def _whole(self, number: Decimal) -> int:
        if number != int(number):
            raise unknown(self._tokens[self.place - 1])
        return int(number)

    def _is(self, kind: str, ahead: int = 0) -> bool:
        at = self.place + ahead
        return at < len(self._tokens) and self._tokens[at].kind == kind

    def _taken(self, kind: str) -> str | None:
        if not self._is(kind):
            return None
        self.place += 1
        return self._tokens[self.place - 1].text

    def _sign(self) -> str:
        """A sign stands free before its number and touches it; any other dash may be a stroke of the pen."""
        if not ((self._is("dash") or self._is("plus")) and self._is("number", 1)):
            return ""
        sign, number = self._tokens[self.place], self._tokens[self.place + 1]
        if not sign.free or number.free:
            raise unknown(sign)
        self.place += 1
        return "-" if sign.kind == "dash" else "+"

    def _join(self) -> str | None:
        """A dash, `to` or a stroke, where another number follows."""
        if not self._is("number", 1):
            return None
        token = self._tokens[self.place]
        kind = "dash" if token.folded == "to" else token.kind
        if kind not in _JOINS:
            return None
        self.place += 1
        return kind

    def _number(self) -> Decimal:
        token = self._tokens[self.place]
        self.place += 1
        value = number_of(token.text, self._site)
        if self._is("word") and self._unit_of(self._tokens[self.place].text):
            self._units.add(self._tokens[self.place].text)
            self.place += 1
        return value


def unknown(token: Token) -> Refused:
    """The words are not understood from this token on; the message counts from 1, as people do."""
    return Refused("words-unknown", at=str(token.start + 1))


def number_of(written: str, site: Conventions) -> Decimal:
    """A comma parts decimals only where the site says so, and then a point does not."""
    mark = "," if "," in written else "." if "." in written else None
    if mark is not None and mark != (site.decimal or "."):
        raise Refused("decimal-undeclared", mark="comma" if mark == "," else "point")
    return decimal(written.replace(",", "."))
