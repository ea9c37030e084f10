"""Derived dimensions: an expression over the characteristics of a part, checked whole when it is built.

Knows: a small grammar; which terms are lengths and which are numbers; what can't be used, where, and what would do.
Must not know: units, limits, where sizes come from and which of them belong together.

    terms    product { (+|-) product }           product  operand { (*|/) operand }
    operand  { - } ( number | name | function "(" terms { "," terms } ")" | "(" terms ")" )

Names may hold hyphens, so a minus behind a name needs a blank: `top-bottom` is one name, `top - bottom` a difference.
"""

import operator
import re
from collections.abc import Collection, Mapping
from decimal import MAX_EMAX, MAX_PREC, MIN_EMIN, Context, Decimal
from difflib import get_close_matches
from fractions import Fraction

from msgspec import Struct

LONGEST, DEEPEST, MOST_DIGITS = 1000, 50, 18
"""Characters of a text, parentheses within each other, digits of a number."""

_BINDS = {"+": 1, "-": 1, "*": 2, "/": 2}
_FUNCTIONS = {
    "abs": abs,
    "max": lambda *sizes: max(sizes),
    "mean": lambda *sizes: sum(sizes) / len(sizes),
    "min": lambda *sizes: min(sizes),
}
_OPERATORS = {"+": operator.add, "-": operator.sub, "*": operator.mul, "/": operator.truediv, "negate": operator.neg}
_DOES = {**_OPERATORS, **_FUNCTIONS}

_TOKEN = re.compile(r"(?P<name>[^\W\d_][\w.-]*)|(?P<number>[0-9.][\w.]*)|(?P<mark>[-+*/(),])|(?P<other>\S)")
_NUMBER = re.compile(r"[0-9]+(?:\.[0-9]+)?")
_MEANT = {"−": "-", "–": "-", "×": "*", "·": "*", "÷": "/"}
_MISPLACED = {")": ("closes nothing", "take it out, or add ( before"),
              ",": ("stands outside of max, mean and min", "a decimal point is written . as in 0.5")}
_WIDEST = Context(prec=MAX_PREC, Emax=MAX_EMAX, Emin=MIN_EMIN)      # rounds neither a product nor a shift


class ExpressionRefused(ValueError):
    """An expression that can't be used.  `what` is wrong and at which character (from 1); `right` would be right."""

    def __init__(self, at: int, what: str, right: str):
        self.what, self.right = f"at character {at}, {what}", right
        super().__init__(f"{self.what}\n{right}")


class Apply(Struct, frozen=True):
    """Take `count` values off the stack, put back what `does` (a row of _DOES) makes of them."""

    does: str
    count: int


Step = Fraction | str | Apply
"""A number or a name goes on the stack; an operation takes from it."""


class Expression(Struct, frozen=True):
    """A length made of other lengths.  `names`: its inputs, each once, in order of first appearance."""

    text: str
    names: tuple[str, ...]
    steps: tuple[Step, ...]

    def evaluate(self, values: Mapping[str, Fraction]) -> Fraction:
        """The exact result, in the one unit of all the values.  Cannot fail when each of `names` is given."""
        return _work(self.steps, values)


def build_expression(text: str, known: Collection[str]) -> Expression:
    """What a text says over the `known` characteristics.  Raises ExpressionRefused at the first fault."""
    if len(text) > LONGEST:
        raise ExpressionRefused(LONGEST + 1, "the expression is too long", f"write at most {LONGEST} characters")
    if not text.strip():
        raise ExpressionRefused(1, "nothing is written", "write an expression, as in upper - lower")
    reading = _Reading(_tokens(text), known)
    is_length, after = reading.terms(), reading.take()
    if after.kind != "end":
        raise _misplaced(after)
    if not is_length:
        raise ExpressionRefused(1, "the result is a number, not a length", "name a characteristic, as in bore / 2")
    names = dict.fromkeys(step for step in reading.steps if isinstance(step, str))
    return Expression(text, tuple(names), tuple(reading.steps))


def finite(value: Fraction, step: Decimal) -> Decimal:
    """Exact where the value's digits end, else rounded once, half to even, to a multiple of `step` (above zero)."""
    rest, places = value.denominator, {2: 0, 5: 0}
    for prime in places:
        while rest % prime == 0:
            rest //= prime
            places[prime] += 1
    if rest > 1:
        return _WIDEST.multiply(Decimal(round(value / Fraction(step))), step)
    digits = max(places.values())
    return _WIDEST.scaleb(Decimal(value.numerator * 10**digits // value.denominator), -digits)


def _work(steps: Collection[Step], values: Mapping[str, Fraction]) -> Fraction:
    stack: list[Fraction] = []
    for step in steps:
        if isinstance(step, Apply):
            stack[-step.count:] = [_DOES[step.does](*stack[-step.count:])]
        else:
            stack.append(values[step] if isinstance(step, str) else step)
    return stack[0]


class _Token(Struct, frozen=True):
    kind: str
    text: str
    at: int


def _tokens(text: str) -> list[_Token]:
    tokens = [_Token(found.lastgroup, found[0], found.start() + 1) for found in _TOKEN.finditer(text)]
    for kind, one, at in ((token.kind, token.text, token.at) for token in tokens):
        if kind == "other":
            right = f"write {_MEANT[one]}" if one in _MEANT else "use names, plain numbers, + - * / ( ) and ,"
            raise ExpressionRefused(at, f"{one!r} has no meaning here", right)
        if kind == "number" and not _is_number(one):
            raise ExpressionRefused(at, f"{one!r} is no plain number",
                                    f"write at most {MOST_DIGITS} digits without unit or exponent, as in 2 or 0.5")
    return [*tokens, _Token("end", "", len(text) + 1)]


def _is_number(text: str) -> bool:
    return bool(_NUMBER.fullmatch(text)) and len(text.replace(".", "")) <= MOST_DIGITS


def _misplaced(token: _Token) -> ExpressionRefused:
    what, right = _MISPLACED.get(token.text, ("has no operator before it", "write + - * or /; a number has no unit"))
    return ExpressionRefused(token.at, f"{token.text!r} {what}", right)


class _Reading:
    """One pass over the tokens.  A method that reads a term appends its steps and says whether it is a length."""

    def __init__(self, tokens: list[_Token], known: Collection[str]):
        self.tokens, self.known, self.place, self.depth = tokens, known, 0, 0
        self.steps: list[Step] = []

    @property
    def next(self) -> _Token:
        return self.tokens[self.place]

    def take(self) -> _Token:
        self.place += 1
        return self.tokens[self.place - 1]

    def terms(self, loosest: int = 1) -> bool:
        """Operands joined by operators that bind at least as tightly as `loosest`."""
        is_length = self.operand()
        while _BINDS.get(self.next.text, 0) >= loosest:
            mark, begin = self.take(), len(self.steps)
            right = self.terms(_BINDS[mark.text] + 1)
            _check(mark, is_length, right, self.steps[begin:])
            self.steps.append(Apply(mark.text, 2))
            is_length = is_length or right
        return is_length

    def operand(self) -> bool:
        begin = self.place
        while self.next.text == "-":
            self.take()
        signs = self.place - begin
        is_length = self.unsigned(self.take())
        self.steps += [Apply("negate", 1)] * signs
        return is_length

    def unsigned(self, token: _Token) -> bool:
        if token.kind == "name":
            return self.function(token) if self.next.text == "(" else self.name(token)
        if token.kind == "number":
            self.steps.append(Fraction(token.text))
            return False
        if token.text == "(":
            return self.enclosed(token)[0]
        found = repr(token.text) if token.text else "the end"
        raise ExpressionRefused(token.at, f"{found} stands where a name or a number should", "write what is missing")

    def name(self, token: _Token) -> bool:
        if token.text in self.known:
            self.steps.append(token.text)
            return True
        if token.text in _FUNCTIONS:
            raise ExpressionRefused(token.at, f"{token.text!r} is a function", f"write {token.text}(upper - lower)")
        near = get_close_matches(token.text, self.known, 1)
        right = f"did you mean {near[0]!r}?" if near else f"known here are {', '.join(sorted(self.known)) or 'none'}"
        raise ExpressionRefused(token.at, f"there is no characteristic {token.text!r}", self.apart(token.text) or right)

    def function(self, token: _Token) -> bool:
        if token.text not in _FUNCTIONS:
            right = self.apart(token.text) or f"functions are {', '.join(_FUNCTIONS)}"
            raise ExpressionRefused(token.at, f"there is no function {token.text!r}", right)
        sizes = self.enclosed(self.take(), several=True)
        if token.text == "abs" and len(sizes) > 1:
            raise ExpressionRefused(token.at, f"abs takes one size, not {len(sizes)}", "write abs(upper - lower)")
        _agree(token, sizes)
        self.steps.append(Apply(token.text, len(sizes)))
        return sizes[0]

    def enclosed(self, opening: _Token, several: bool = False) -> list[bool]:
        """What stands between the opening parenthesis, taken already, and its closing one."""
        self.depth += 1
        if self.depth > DEEPEST:
            raise ExpressionRefused(opening.at, f"more than {DEEPEST} parentheses are open", "write it flatter")
        found = [self.terms()]
        while several and self.next.text == ",":
            self.take()
            found.append(self.terms())
        if self.next.kind == "end":
            raise ExpressionRefused(opening.at, "'(' is not closed", "add )")
        if self.next.text != ")":
            raise _misplaced(self.next)
        self.take()
        self.depth -= 1
        return found

    def apart(self, text: str) -> str:
        """What would be right where a text is a difference without blanks, else nothing."""
        pieces, words, terms = [], text.split("-"), {"", *self.known, *_FUNCTIONS}
        while words:
            heads = ("-".join(words[:size]) for size in range(len(words), 0, -1))
            head = next((head for head in heads if head in terms or _is_number(head)), None)
            if head is None:
                return ""
            pieces.append(head)
            words = words[head.count("-") + 1:]
        return f"put blanks around the minus: {' - '.join(pieces).strip()}" if len(pieces) > 1 else ""


def _check(mark: _Token, left: bool, right: bool, right_steps: list[Step]) -> None:
    if mark.text in "+-":
        _agree(mark, [left, right])
    if mark.text == "*" and left and right:
        raise ExpressionRefused(mark.at, "two lengths are multiplied", "put a number on one side, as in 0.5 * bore")
    if mark.text == "/" and right:
        raise ExpressionRefused(mark.at, "the divisor is a length", "divide by a number, as in (top + bottom) / 2")
    if mark.text == "/" and _work(right_steps, {}) == 0:
        raise ExpressionRefused(mark.at, "the divisor is zero", "divide by another number")


def _agree(token: _Token, are_lengths: list[bool]) -> None:
    if len(set(are_lengths)) > 1:
        raise ExpressionRefused(token.at, f"{token.text!r} joins a length and a number",
                                "join lengths with lengths; a number only multiplies or divides")
