"""Reading UVL: constructs of the reference grammar, mistakes with line and column.

Constructs follow ``UVLParser.g4``/``UVLLexer.g4`` and the sample models beside them
(Universal-Variability-Language/uvl-parser, folder test_models); the texts here are our own.
"""

import pytest

from donorfit.equipment import check, list_imports, read_uvl
from donorfit.equipment.compiled import compile_rules
from donorfit.equipment.warm import Warm
from donorfit.errors import InputError
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.rules import GroupKind, Subject


def list_products(text: str) -> set[frozenset[str]]:
    """All possible lists, by names, the root left out."""
    rules = read_uvl(text, file="t.uvl")
    warm = Warm(compile_rules(rules))
    found = set()
    while warm.holds([]):
        model = warm.solver.get_model()[: len(rules)]
        found.add(frozenset(rules.names[x - 1] for x in model if x > 1))
        warm.solver.add([-x for x in model])
    return found


def sets(*texts: str) -> set[frozenset[str]]:
    return {frozenset(text.split()) for text in texts}


def read_mistakes(text: str) -> list[tuple[int, str]]:
    with pytest.raises(InputError) as caught:
        read_uvl(text, file="t.uvl")
    assert caught.value.exit_code == 10
    return [(m.line, m.what) for m in caught.value.mistakes]


HEAD = "features\n\tA\n\t\toptional\n\t\t\tB\n\t\t\tC\n\t\t\tD\nconstraints\n"


@pytest.mark.parametrize(
    ("group", "expected"),
    [
        ("or", ("B", "C", "B C")),
        ("alternative", ("B", "C")),
        ("optional", ("", "B", "C", "B C")),
        ("mandatory", ("B C",)),
        ("[1]", ("B", "C")),
        ("[0..1]", ("", "B", "C")),
        ("[1..*]", ("B", "C", "B C")),
        ("[2..2]", ("B C",)),
    ],
)
def test_groups(group, expected) -> None:
    assert list_products(f"features\n A\n  {group}\n   B\n   C\n") == sets(*expected)


@pytest.mark.parametrize(
    ("formula", "written"),
    [
        # left association of => and precedence ! & | => <=> of the reference grammar
        ("B => C => D", lambda b, c, d: not ((not b) or c) or d),
        ("!B & C | D", lambda b, c, d: ((not b) and c) or d),
        ("B <=> C <=> D", lambda b, c, d: (b == c) == d),
        ("B | C & D", lambda b, c, d: b or (c and d)),
        ("!(B | (C & !D))", lambda b, c, d: not (b or (c and not d))),
        ("true => B", lambda b, c, d: b),
        ("B => false", lambda b, c, d: not b),
        ("B => true", lambda b, c, d: True),
    ],
)
def test_precedence_against_python(formula, written) -> None:
    """Counted out with Python's own operators in the grammar's order."""
    counted = {
        frozenset(n for n, v in zip("BCD", (b, c, d), strict=True) if v)
        for b in (False, True)
        for c in (False, True)
        for d in (False, True)
        if written(b, c, d)
    }
    assert list_products(HEAD + f"\t{formula}\n") == counted


def test_comments_blank_lines_spaces_and_quotes() -> None:
    text = """// first line
namespace demo
include
    Boolean.group-cardinality

features   // tail
    "A b" {abstract, title 'x // no comment', n -2, f 1.5, v [1, 'a'], deep {inner true}}

        /* a block
           over lines */
        optional
            "B{}" {
                code 'B001',
                bit 3
            }
            String Label
            Real Weight
constraints
    "B{}" =>
"""
    text = text.replace('"B{}" =>\n', '("B{}" =>\n      "A b")\n')
    rules = read_uvl(text, file="t.uvl")
    assert rules.names == ("A b", "B{}", "Label", "Weight")
    assert rules.types == ((2, "String"), (3, "Real"))
    attributes = dict(rules.get_attributes(0))
    assert attributes == {
        "abstract": True,
        "title": "x // no comment",
        "n": -2,
        "f": 1.5,
        "v": (1, "a"),
        "deep.inner": True,
    }
    assert rules.get_attribute(1, "bit") == 3
    assert rules.get_title(0) == "x // no comment"
    assert rules.rules[0].line == 19
    assert not rules.warnings


def test_tabs_and_spaces_reach_the_same_column() -> None:
    assert list_products("features\n A\n\tor\n\t B\n         C\n") == sets("B", "C", "B C")


def test_windows_end_lines() -> None:
    assert list_products("features\r\n A\r\n  or\r\n   B\r\n") == sets("B")


def test_attribute_constraints() -> None:
    text = "features\n A\n  optional\n   B {constraints [B => C, !(B & D)]}\n   C\n   D {constraint D => C}\n"
    rules = read_uvl(text, file="t.uvl")
    assert [rule.id for rule in rules.rules] == ["r4", "r4b", "r6"]
    assert list_products(text) == sets("", "C", "B C", "C D")


def test_attribute_numbers_are_constants_and_sums_look_at_what_is_on() -> None:
    """As the reference implementation evaluates them; see uvl_expressions."""
    text = "features\n A {Price 2}\n  optional\n   B {Price 2, Fun 12}\n   C {Price 5, Fun 6}\nconstraints\n"
    assert list_products(text + " B.Fun + C.Fun - B.Price == 16") == sets("", "B", "C", "B C")
    assert list_products(text + " B.Fun - C.Fun * B.Price == 1") == set()
    assert list_products(text + " sum(Price) == 7") == sets("C")
    assert list_products(text + " sum(Price) <= 4") == sets("", "B")
    assert list_products(text + " sum(Price) != 4") == sets("", "C", "B C")
    assert list_products(text + " avg(Price) == 3.5") == sets("C")
    assert list_products(text + " avg(Price) == 3") == sets("B C")
    assert list_products(text + " sum(A, Fun) > 6 => C") == sets("", "C", "B C")
    assert list_products(text + " sum(Fun, A) > 6 => C") == sets("", "C", "B C")
    assert list_products(text + " floor(C.Price) == 5 => B") == sets("B", "B C")


def test_typed_options() -> None:
    text = (
        "features\n A\n  optional\n   Integer N\n   Real R\n   String S\n   B\n   C\nconstraints\n"
    )
    rules = " N > 5 => B\n N <= 5 => C\n"
    assert all({"B"} & x or {"C"} & x for x in list_products(text + rules))
    both = text + " N == 3\n N >= 4 => B\n N < 4 => C\n"
    assert all("C" in x for x in list_products(both))
    assert any("B" not in x for x in list_products(both))
    assert not list_products(text + " R > 2\n R < 2\n")
    assert list_products(text + " R >= 2\n R <= 2\n")
    assert not list_products(text + " N > 2\n N < 3\n")
    assert not list_products(text + " S == 'x'\n S == 'y'\n")
    assert all("B" in x for x in list_products(text + " S == 'x'\n S == 'x' => B\n"))


def test_what_is_not_judged_is_counted() -> None:
    text = (
        "features\n A\n  optional\n   Integer N\n   Integer M\n   B cardinality [1..3]\n"
        "constraints\n N * M > 3\n N == M\n len(N) == 2\n B\n"
    )
    rules = read_uvl(text, file="t.uvl")
    assert [w.line for w in rules.warnings] == [6, 8, 9, 10]
    assert len({w.kind for w in rules.warnings}) == 4
    assert [rule.line for rule in rules.rules] == [11]
    assert check(rules, ["A", "B"]).warnings == rules.warnings


def test_build_months() -> None:
    text = (
        "features\n A\n  optional\n   Integer build_month\n"
        "   B {valid_from '2021-07', valid_before '2022-01'}\n   C\n"
        "constraints\n"
        " build_month >= 202107 => (B => C)\n"
        " build_month >= 202101 & build_month < 202201 => C\n"
        " build_month < 202101 => (build_month >= 202001 => !C)\n"
        " C | build_month == 202103\n"
    )
    rules = read_uvl(text, file="t.uvl")
    assert rules.names == ("A", "B", "C")
    shown = [str(rule.window) for rule in rules.rules]
    assert shown == [
        "built from 2021-07",
        "built from 2021-01, before 2022-01",
        "built from 2020-01, before 2021-01",
        "",
    ]
    assert str(rules.windows[0].window) == "built from 2021-07, before 2022-01"
    assert rules.rules[3].comparisons[0].subject is Subject.MONTH
    for month, names, possible in (
        ("2021-06", "A B C", False),
        ("2021-07", "A B C", True),
        ("2021-12", "A B C", True),
        ("2022-01", "A B C", False),
        ("2021-03", "A", False),
        ("2020-06", "A C", False),
        ("2020-06", "A", False),
        ("2019-12", "A C", True),
    ):
        assert check(rules, names.split(), BuildMonth.parse(month)).possible == possible, month


MISTAKES = {
    "unknown name, nearest known": (HEAD + "\tB => Cc\n", 8, "column 7: there is no option"),
    "formula ends": (HEAD + "\tB =>\n", 8, "ends too early"),
    "parenthesis": (HEAD + "\t(B => C\n\tC\n", 8, "never closed"),
    "parenthesis too many": (HEAD + "\tB) => C\n", 8, "closes nothing"),
    "two operands": (HEAD + "\tB C\n", 8, "column 4: did not expect 'C'"),
    "number as condition": (HEAD + "\t5 & B\n", 8, "where a condition is due"),
    "text against number": (HEAD + "\t'x' == 5\n", 8, "compared with a number"),
    "no month": (
        HEAD.replace("\t\t\tD", "\t\t\tD\n\t\t\tInteger build_month")
        + "\tbuild_month > 202113 => B\n",
        9,
        "is not a month",
    ),
    "twice": ("features\n A\n  or\n   B\n   B\n", 5, "stands twice, first in line 4"),
    "second root": ("features\n A\n B\n", 3, "second root"),
    "option where a group is due": ("features\n A\n  B\n", 3, "a group was expected"),
    "keyword as a name": ("features\n A\n  or\n   or\n", 4, "no option name"),
    "bad cardinality": ("features\n A\n  [3..2]\n   B\n", 3, "at most 2"),
    "more than there are": ("features\n A\n  [3..4]\n   B\n", 3, "asks for 3 of 1"),
    "bad attribute": ("features\n A {x 1 2}\n", 2, "column 9"),
    "attribute twice": ("features\n A {x 1, x 2}\n", 2, "stands twice"),
    "open quote": ("features\n A {x 'y}\n", 2, "not closed"),
    "open comment": ("features\n A\n/* x\n", 3, "not closed"),
    "bad window": ("features\n A {valid_from '2021-13'}\n", 2, "is not a month"),
    "window turned round": (
        "features\n A {valid_from '2022-01', valid_before '2021-01'}\n",
        2,
        "valid from",
    ),
    "stray section": ("features\n A\nfetaures\n", 3, "did not expect"),
    "missing import": ("imports\n sub as s\nfeatures\n A\n  or\n   s.B\n", 2, "is missing"),
    "dot in a name": ('features\n A\n  or\n   "B.C"\n', 4, "cannot read"),
    "nothing": ("", 0, "no option"),
    "wrong indentation": ("features\n A\n mandatory\n  B\n", 3, "a word of the language"),
}


@pytest.mark.parametrize("case", MISTAKES)
def test_mistakes(case) -> None:
    text, line, part = MISTAKES[case]
    found = read_mistakes(text)
    assert any(number == line and part in what for number, what in found), found


def test_all_mistakes_are_told_together() -> None:
    found = read_mistakes(HEAD + "\tB => X\n\tC => Y\n\tD &\n")
    assert [line for line, _ in found] == [8, 9, 10]


def test_a_name_close_by_is_suggested() -> None:
    with pytest.raises(InputError) as caught:
        read_uvl("features\n Towing\n  or\n   Coupling\nconstraints\n Copling\n", file="t.uvl")
    assert "Coupling" in caught.value.mistakes[0].next_step


def test_depth_and_length_are_no_trouble() -> None:
    depth = 5_000
    deep = "(" * depth + "B" + ")" * depth
    assert list_products(HEAD + f"\t{deep}\n") == sets("B", "B C", "B D", "B C D")
    nested = "B => (C => (" * 2_000 + "D" + "))" * 2_000
    assert frozenset("BC") not in list_products(HEAD + f"\t{nested}\n")
    negated = "!" * 4_001 + "B"
    assert list_products(HEAD + f"\t{negated}\n") == sets("", "C", "D", "C D")
    chain = " <=> ".join("BCD" * 400)
    assert list_products(HEAD + f"\t{chain}\n")
    tree = "features\n" + "".join(
        f"{' ' * (2 * n)} o{n}\n{' ' * (2 * n + 1)} optional\n" for n in range(1_000)
    )
    assert len(read_uvl(tree, file="t.uvl")) == 1_000


def test_large_groups_and_formulas_stay_linear() -> None:
    count = 2_000
    members = "".join(f"   o{n}\n" for n in range(count))
    rules = read_uvl(f"features\n A\n  alternative\n{members}", file="t.uvl")
    assert rules.group_kinds == (GroupKind.ALTERNATIVE,)
    wide = " | ".join(f"(o{n} & o{n + 1})" for n in range(0, count, 2))
    base = f"features\n A\n  optional\n{members}constraints\n  {wide}\n"
    compiled = compile_rules(read_uvl(base, file="t.uvl"))
    assert len(compiled.cross[0].clauses) < 5 * count
    same = " <=> ".join(f"o{n}" for n in range(200))
    equal = f"features\n A\n  optional\n{members}constraints\n  {same}\n"
    compiled = compile_rules(read_uvl(equal, file="t.uvl"))
    assert len(compiled.cross[0].clauses) < 2_000


def test_imports_are_listed() -> None:
    found = list_imports("imports\n folder.sub as s\n other\nfeatures\n A\n", file="t.uvl")
    assert [(each.name, each.alias, each.line) for each in found] == [
        ("folder.sub", "s", 2),
        ("other", "other", 3),
    ]


def test_imported_rules_are_grafted() -> None:
    inner = read_uvl(
        "features\n Cpu\n  alternative\n   Fast {w 3, valid_from '2021-01'}\n   Slow\n"
        "constraints\n Fast | Slow\n",
        file="sub.uvl",
    )
    rules = read_uvl(
        "imports\n sub as s\nfeatures\n Box\n  mandatory\n   s.Cpu\n  optional\n   Fan\n"
        "constraints\n s.Fast => Fan\n s.Fast.w == 3\n",
        file="t.uvl",
        imported={"sub": inner},
    )
    assert rules.names == ("Box", "s.Cpu", "s.Fast", "s.Slow", "Fan")
    assert [rules.get_file(o) for o in range(5)] == [
        "t.uvl",
        "sub.uvl",
        "sub.uvl",
        "sub.uvl",
        "t.uvl",
    ]
    assert [rule.id for rule in rules.rules] == ["s.r7", "r10", "r11"]
    broken = check(rules, ["Box", "s.Cpu", "s.Fast"], BuildMonth.parse("2020-01")).broken
    assert {each.rule.id for each in broken} == {"r10", "s.w4"}
    assert {each.rule.file for each in broken} == {"t.uvl", "sub.uvl"}
