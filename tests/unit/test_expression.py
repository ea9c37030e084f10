"""Derived dimensions: what an expression means, what is refused and how it is said, and its exact decimals."""

import operator
import sys
from decimal import Context, Decimal
from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from collector.measuring.expression import ExpressionRefused, build_expression, finite

KNOWN = ("upper", "lower", "bore", "pilot-bore", "top", "bottom", "top-0", "top-90", "face_2", "Öse")
SIZES = {name: Fraction(12 + number, 7) for number, name in enumerate(KNOWN)}


def value(text: str, **sizes: str) -> Fraction:
    return build_expression(text, sizes).evaluate({name: Fraction(size) for name, size in sizes.items()})


def refusal(text: str, known=KNOWN) -> tuple[str, str]:
    with pytest.raises(ExpressionRefused) as caught:
        build_expression(text, known)
    return caught.value.what, caught.value.right


# --- what is taken


@pytest.mark.parametrize("text, wanted", [
    ("a", 8), ("a - b", 6), ("a - b - c", 5), ("a - (b - c)", 7), ("a / 2 / 2", 2), ("a / (2 / 2)", 8),
    ("a + b * 3", 14), ("(a + b) * 3", 30), ("2 * 3 * a", 48), ("a * 0.25", 2),
    ("-a + b", -6), ("- - a", 8), ("---a", -8),
    ("-(a + b) * 2", -20), ("a - -b", 10), ("a * -2", -16), ("abs(b - a)", 6), ("max(a, b, c) - min(a, b, c)", 7),
    ("mean(a, b, c, c)", 3), ("max(b)", 2), ("min(b)", 2), ("mean(b)", 2), ("a / max(2, 4)", 2), ("a / mean(1, 3)", 4),
    ("a * (2 - 2)", 0), ("a*3/4", 6), (" a\n + b\t", 10), ("007 * b", 14), ("max(min(a, b), c)", 2), ("a * 2 - b", 14),
])
def test_operators_and_functions_mean_what_they_mean_in_arithmetic(text, wanted):
    assert value(text, a="8", b="2", c="1") == wanted


def test_mean_is_not_rounded():
    assert value("mean(a, b, c)", a="0.1", b="0.1", c="0.2") == Fraction(4, 30)


def test_result_is_a_fraction_whatever_the_function():
    for text in ("a", "abs(a)", "max(a)", "mean(a)", "-a", "a * 2"):
        assert type(value(text, a="3")) is Fraction


def test_names_stand_once_each_in_order_of_first_appearance():
    built = build_expression("max(top, bore, bottom) - min(bottom, top-0, top) * 2", KNOWN)
    assert built.names == ("top", "bore", "bottom", "top-0")
    assert built.text == "max(top, bore, bottom) - min(bottom, top-0, top) * 2"


@pytest.mark.parametrize("name", KNOWN)
def test_names_hold_letters_digits_hyphens_and_underscores(name):
    assert build_expression(f"({name})*2", KNOWN).names == (name,)


def test_hyphen_belongs_to_the_name_and_a_minus_between_blanks_does_not():
    sizes = {"top": "9", "bottom": "4", "top-bottom": "1"}
    assert value("top-bottom", **sizes) == 1
    assert value("top - bottom", **sizes) == 5
    assert value("top -bottom", **sizes) == 5
    assert value("top - top-bottom", **sizes) == 8


def test_minus_behind_a_number_or_a_parenthesis_needs_no_blank():
    assert value("(top)-bottom", top="9", bottom="4") == 5
    assert value("2*3*top*(2-1)", top="9") == 54


def test_characteristic_called_like_a_function_is_the_name_without_parentheses():
    assert value("max(max, min) - max", max="3", min="5") == 2
    assert build_expression("mean(mean)", ["mean"]).names == ("mean",)


def test_expression_holds_no_more_than_data():
    one, other = (build_expression("max(top, bore) / 2", KNOWN) for _ in range(2))
    assert one == other and hash(one) == hash(other)


# --- what is refused: the place, what is wrong, what would be right


@pytest.mark.parametrize("text, at, what, right", [
    ("top-bottom", 1, "no characteristic 'top-bottom'", "blanks around the minus: top - bottom"),
    ("bore + top-0-top-90", 8, "no characteristic 'top-0-top-90'", "blanks around the minus: top-0 - top-90"),
    ("pilot-bore-bore-2", 1, "no characteristic", "blanks around the minus: pilot-bore - bore - 2"),
    ("bore-0.5", 1, "no characteristic 'bore-0.5'", "blanks around the minus: bore - 0.5"),
    ("bore- top", 1, "no characteristic 'bore-'", "blanks around the minus: bore -"),
    ("bore-(top + bottom)", 1, "no function 'bore-'", "blanks around the minus: bore -"),
    ("bore-max(top, bottom)", 1, "no function 'bore-max'", "blanks around the minus: bore - max"),
    ("top - botom", 7, "no characteristic 'botom'", "did you mean 'bottom'?"),
    ("pilot-bor", 1, "no characteristic 'pilot-bor'", "did you mean 'pilot-bore'?"),
    ("2 * xyz", 5, "no characteristic 'xyz'", "known here are bore, bottom, face_2, lower, pilot-bore, top, "),
    ("median(top)", 1, "no function 'median'", "functions are abs, max, mean, min"),
    ("bore(top)", 1, "no function 'bore'", "functions are"),
    ("2 * max", 5, "'max' is a function", "write max("),
    ("12 - bore", 4, "'-' joins a length and a number", "lengths with lengths"),
    ("bore + 2 * 3", 6, "'+' joins a length and a number", "a number only multiplies or divides"),
    ("max(bore, 2)", 1, "'max' joins a length and a number", "lengths with lengths"),
    ("top + mean(2, bore)", 7, "'mean' joins a length and a number", "lengths with lengths"),
    ("bore * top", 6, "two lengths are multiplied", "0.5 * bore"),
    ("2 * bore * (top / 2)", 10, "two lengths are multiplied", "a number on one side"),
    ("bore / top", 6, "the divisor is a length", "divide by a number"),
    ("2 / bore", 3, "the divisor is a length", "divide by a number"),
    ("bore / 0", 6, "the divisor is zero", "another number"),
    ("bore / 0.00", 6, "the divisor is zero", "another number"),
    ("bore / (3 - 1 - max(1, 2))", 6, "the divisor is zero", "another number"),
    ("bore / -(1 / 2 - 0.5)", 6, "the divisor is zero", "another number"),
    ("2 * 3", 1, "a number, not a length", "name a characteristic"),
    ("abs(top, bottom)", 1, "abs takes one size, not 2", "abs(upper - lower)"),
    ("bore * 1e3", 8, "'1e3' is no plain number", "without unit or exponent"),
    ("bore * 2mm", 8, "'2mm' is no plain number", "without unit"),
    ("2 mm", 3, "'mm' has no operator before it", "a number has no unit"),
    ("bore * .5", 8, "'.5' is no plain number", "0.5"),
    ("bore * 1.", 8, "'1.' is no plain number", "0.5"),
    ("bore * 1.2.3", 8, "'1.2.3' is no plain number", "0.5"),
    ("bore * 1234567890.123456789", 8, "is no plain number", "at most 18 digits"),
    ("bore * 1,5", 9, "',' stands outside", "0.5"),
    ("(top, bottom)", 5, "',' stands outside", "0.5"),
    ("bore × 2", 6, "'×' has no meaning", "write *"),
    ("top − bottom", 5, "'−' has no meaning", "write -"),
    ("bore ^ 2", 6, "'^' has no meaning", "use names"),
    ("bore $", 6, "'$' has no meaning", "use names"),
    ("_bore", 1, "'_' has no meaning", "use names"),
    ("top ** 2", 6, "'*' stands where a name or a number should", "what is missing"),
    ("+top", 1, "'+' stands where", "what is missing"),
    ("top - ", 7, "the end stands where", "what is missing"),
    ("-", 2, "the end stands where", "what is missing"),
    ("()", 2, "')' stands where", "what is missing"),
    ("max()", 5, "')' stands where", "what is missing"),
    ("max(top,)", 9, "')' stands where", "what is missing"),
    ("2 * (top - bottom", 5, "'(' is not closed", "add )"),
    ("max(top, bottom", 4, "'(' is not closed", "add )"),
    ("top - bottom)", 13, "')' closes nothing", "take it out"),
    ("top bottom", 5, "'bottom' has no operator before it", "write + - * or /"),
    ("(top bottom)", 6, "'bottom' has no operator before it", "write + - * or /"),
    ("2(top)", 2, "'(' has no operator before it", "write + - * or /"),
    ("", 1, "nothing is written", "upper - lower"),
    (" \n ", 1, "nothing is written", "upper - lower"),
])
def test_refusal_says_where_what_and_what_would_be_right(text, at, what, right):
    said, advice = refusal(text)
    assert said.startswith(f"at character {at}, ")
    assert what in said
    assert right in advice


def test_refusal_as_text_holds_what_and_right_on_a_line_each():
    with pytest.raises(ValueError, match="^at character 1, there is no characteristic 'bores'\ndid you mean 'bore'"):
        build_expression("bores", KNOWN)


def test_part_without_other_characteristics_has_none_to_name():
    assert refusal("bore", ())[1] == "known here are none"


def test_number_of_18_digits_is_the_longest():
    assert value("bore * 123456789.012345678", bore="1") == Fraction("123456789.012345678")
    assert "at most 18 digits" in refusal("bore * 0123456789.012345678")[1]


def test_text_of_1000_characters_is_the_longest():
    assert build_expression("bore".ljust(1000), KNOWN).names == ("bore",)
    what, right = refusal("bore".ljust(1001))
    assert what == "at character 1001, the expression is too long"
    assert right == "write at most 1000 characters"


@pytest.mark.parametrize("opening", ["(", "max(", "-abs("])
def test_fifty_parentheses_in_each_other_are_the_most(opening):
    assert build_expression(opening * 50 + "top" + ")" * 50, KNOWN).names == ("top",)
    what, _ = refusal(opening * 51 + "top" + ")" * 51)
    assert what == f"at character {51 * len(opening)}, more than 50 parentheses are open"


def test_parentheses_beside_each_other_are_not_nesting():
    assert value(" + ".join(["(top)"] * 120), top="1") == 120


def test_long_and_deep_expressions_need_little_stack():
    deep = "top+2*max(" * 50 + "top" + ")" * 50
    long = "top" + "/1" * 498
    minus = "-" * 997 + "top"
    limit = sys.getrecursionlimit()
    frame, used = sys._getframe(), 0
    while frame:
        frame, used = frame.f_back, used + 1
    sys.setrecursionlimit(used + 450)
    try:
        assert [value(text, top="1") for text in (long, minus)] == [1, -1]
        assert value(deep, top="1") == 2 ** 51 - 1
    finally:
        sys.setrecursionlimit(limit)


# --- properties

BINARY = {"+": (1, operator.add), "-": (1, operator.sub), "*": (2, operator.mul), "/": (2, operator.truediv)}
CALLS = {"max": max, "min": min, "mean": lambda sizes: sum(sizes) / len(sizes), "abs": lambda sizes: abs(sizes[0])}
digits = st.text("0123456789", min_size=1, max_size=5)
literals = st.one_of(digits, st.builds("{}.{}".format, digits, digits)).map(lambda text: ("number", text))


def work(tree: tuple, sizes: dict) -> Fraction:
    """The tree's value by Python's own operators on fractions."""
    head, *rest = tree
    if head in ("number", "name"):
        return Fraction(rest[0]) if head == "number" else sizes[rest[0]]
    parts = [work(one, sizes) for one in rest]
    if head == "negate":
        return -parts[0]
    return CALLS[head](parts) if head in CALLS else BINARY[head][1](*parts)


def written(tree: tuple, gap: str) -> tuple[str, int]:
    """The tree as text with no parenthesis too many, and how tightly it binds."""
    head, *rest = tree
    if head in ("number", "name"):
        return rest[0], 4
    if head in CALLS:
        return f"{head}({f',{gap}'.join(written(one, gap)[0] for one in rest)})", 4
    if head == "negate":
        return f"-{gap}{around(rest[0], 3, gap)}", 3
    binds = BINARY[head][0]
    return f"{around(rest[0], binds, gap)} {head}{gap}{around(rest[1], binds + 1, gap)}", binds


def around(tree: tuple, least: int, gap: str) -> str:
    text, binds = written(tree, gap)
    return text if binds >= least else f"({text})"


def calls(inner: st.SearchStrategy) -> st.SearchStrategy:
    several = st.tuples(st.sampled_from(["max", "min", "mean"]), st.lists(inner, min_size=1, max_size=4))
    return st.one_of(several.map(lambda made: (made[0], *made[1])), st.tuples(st.just("abs"), inner))


def number_trees() -> st.SearchStrategy:
    def above(inner):
        return st.one_of(calls(inner), st.tuples(st.just("negate"), inner),
                         st.tuples(st.sampled_from("+-*"), inner, inner),
                         st.tuples(st.just("/"), inner, inner.filter(lambda tree: work(tree, {}) != 0)))
    return st.recursive(literals, above, max_leaves=6)


def length_trees() -> st.SearchStrategy:
    numbers = number_trees()

    def above(inner):
        return st.one_of(calls(inner), st.tuples(st.just("negate"), inner),
                         st.tuples(st.sampled_from("+-"), inner, inner),
                         st.tuples(st.just("*"), inner, numbers), st.tuples(st.just("*"), numbers, inner),
                         st.tuples(st.just("/"), inner, numbers.filter(lambda tree: work(tree, {}) != 0)))
    return st.recursive(st.sampled_from(KNOWN).map(lambda name: ("name", name)), above, max_leaves=12)


sizes_of = st.fixed_dictionaries({name: st.fractions(-100, 100, max_denominator=10**6) for name in KNOWN})


@given(length_trees(), sizes_of, st.sampled_from(["", " ", "\n  "]))
def test_any_tree_printed_and_read_back_is_worth_what_python_makes_of_it(tree, sizes, gap):
    text, _ = written(tree, gap)
    assume(len(text) <= 1000)
    assert build_expression(text, KNOWN).evaluate(sizes) == work(tree, sizes)


@given(length_trees(), sizes_of, st.fractions(0, 100))
def test_scaling_all_inputs_scales_the_result(tree, sizes, factor):
    text, _ = written(tree, " ")
    assume(len(text) <= 1000)
    built = build_expression(text, KNOWN)
    assert built.evaluate({name: size * factor for name, size in sizes.items()}) == built.evaluate(sizes) * factor


PIECES = [*KNOWN, *"+-*/(),.^ ", "0", "2", "0.5", "1e3", "max", "abs(", "mean(", " - ", "bores", "\0", "\n", "٣"]


@given(st.one_of(st.lists(st.sampled_from(PIECES), max_size=14).map("".join), st.text(max_size=40)))
def test_whatever_is_written_is_refused_with_reasons_or_can_be_evaluated(text):
    try:
        built = build_expression(text, KNOWN)
    except ExpressionRefused as refused:
        place = int(refused.what.split(",")[0].removeprefix("at character "))
        assert 1 <= place <= len(text) + 1 and refused.right
        return
    assert set(built.names) <= set(KNOWN)
    built.evaluate(dict.fromkeys(KNOWN, Fraction(0)))
    assert isinstance(built.evaluate(SIZES), Fraction)


# --- exact decimals


@pytest.mark.parametrize("fraction, step, wanted", [
    ("25.012", "0.001", "25.012"), ("25.0105", "0.001", "25.0105"), ("1/8", "1", "0.125"), ("1200", "0.01", "1200"),
    ("0", "0.01", "0"), ("-0.0035", "0.01", "-0.0035"), ("31/3", "0.01", "10.33"), ("-31/3", "0.01", "-10.33"),
    ("-1/3", "1", "0"), ("2/3", "0.5", "0.5"), ("31/3", "0.0005", "10.3335"), ("1/1024", "0.1", "0.0009765625"),
    ("1/3125", "0.1", "0.00032"),
])
def test_finite_keeps_what_ends_and_rounds_what_does_not(fraction, step, wanted):
    assert str(finite(Fraction(fraction), Decimal(step))) == wanted


def test_rounded_value_shows_the_digits_of_its_step():
    assert str(finite(Fraction(59999, 6000), Decimal("0.001"))) == "10.000"


def test_finite_holds_more_digits_than_any_context():
    exact = finite(Fraction(1, 2**3000), Decimal("0.001"))
    assert Fraction(exact) == Fraction(1, 2**3000)
    assert Fraction(finite(Fraction(10**900, 3), Decimal("0.1"))) == Fraction(round(Fraction(10**901, 3)), 10)


@given(st.integers(-10**24, 10**24), st.integers(0, 30), st.integers(0, 30))
def test_finite_is_exact_for_every_quotient_that_ends(number, twos, fives):
    fraction = Fraction(number, 2**twos * 5**fives)
    assert Fraction(finite(fraction, Decimal("0.001"))) == fraction


@given(st.integers(-10**15, 10**15), st.sampled_from([3, 7, 9, 12, 35, 999]), st.integers(0, 9))
def test_finite_agrees_with_decimal_quantize_where_a_quotient_has_no_end(number, by, places):
    assume(any(Fraction(number, by).denominator % prime == 0 for prime in (3, 7, 37)))
    step = Decimal(1).scaleb(-places)
    wide = Context(prec=200)
    wanted = wide.quantize(wide.divide(Decimal(number), Decimal(by)), step)
    found = finite(Fraction(number, by), step)
    assert found == wanted and found.as_tuple().exponent == -places


@given(st.integers(-10**12, 10**12), st.integers(1, 999), st.integers(1, 50))
def test_finite_rounds_to_the_nearest_multiple_of_the_step(number, by, fiftieths):
    step = Decimal(fiftieths) / 50
    fraction = Fraction(number, by)
    found = Fraction(finite(fraction, step))
    is_nearest = abs(found - fraction) <= Fraction(step) / 2 and found % Fraction(step) == 0
    assert found == fraction or is_nearest
