"""What changed in the rules: file by file, key by key, the old value beside the new one."""

from __future__ import annotations

from pathlib import Path

from reconcile.rule_changes import RuleChange, rule_changes, rules_in

RULES = rules_in(Path(__file__).parents[1] / "rules")


def changed(file: str, old: str, new: str) -> tuple[RuleChange, ...]:
    """The sample rules against a copy in which one text is another one."""
    text = RULES[file].decode("utf-8")
    assert old in text
    return rule_changes(RULES, RULES | {file: text.replace(old, new, 1).encode("utf-8")})


def test_the_same_rules_have_no_change() -> None:
    """Nothing is told of rules that are as they were."""
    assert rule_changes(RULES, dict(RULES)) == ()


def test_a_key_is_told_with_both_values() -> None:
    """A threshold that was raised stands there with both amounts."""
    assert changed("exceptions.toml", 'packet_threshold = "250.00"', 'packet_threshold = "900.00"') == (
        RuleChange("exceptions.toml", "packet_threshold", "250.00", "900.00"),
    )


def test_a_row_of_a_list_is_told_by_its_name() -> None:
    """Terms, codes and dispositions go by their own names, wherever they stand in the file."""
    assert changed("exceptions.toml", 'word = "fixed"\ncloses = true', 'word = "fixed"\ncloses = false') == (
        RuleChange("exceptions.toml", "disposition fixed, closes", "yes", "no"),
    )
    (code,) = changed("returns.toml", 'code = "R02"', 'code = "R02x"')[:1]
    assert (code.key.startswith("code bank R02"), code.file) == (True, "returns.toml")


def test_a_row_more_moves_no_other() -> None:
    """A disposition put first in the file is the only change."""
    new = '[[disposition]]\nword = "asked"\ncloses = false\n\n[[disposition]]\nword = "working"'
    told = changed("exceptions.toml", '[[disposition]]\nword = "working"', new)
    assert {(c.key, c.before, c.now) for c in told} == {
        ("disposition asked, word", "", "asked"),
        ("disposition asked, closes", "", "no"),
    }


def test_remarks_are_told_as_such() -> None:
    """A file that only reads otherwise is named, and that no value differs."""
    (one,) = rule_changes(RULES, RULES | {"plans.toml": RULES["plans.toml"] + b"\n# a remark\n"})
    assert (one.file, one.key, one.now) == ("plans.toml", "remarks or spaces", "no value differs")


def test_a_file_more_or_less() -> None:
    """A file that came or went is told whole; one that cannot be read is another one."""
    table = {"returns.csv": b"method,code\nbank,R99\n"}
    assert rule_changes(RULES, RULES | table) == (RuleChange("returns.csv", "the whole file", "", "there"),)
    assert rule_changes(RULES | table, RULES) == (RuleChange("returns.csv", "the whole file", "there", ""),)
    assert rule_changes({"aid.toml": b"x = "}, {"aid.toml": b"x = 1"})[0].key == "the whole file"


def test_a_table_of_codes_is_compared_by_its_rows() -> None:
    """Return codes kept in a spreadsheet go by method and code."""
    before, now = b"method,code,again\nbank,R01,yes\nbank,R02,no\n", b"method,code,again\nbank,R02,no\nbank,R01,no\n"
    assert rule_changes({"returns.csv": before}, {"returns.csv": now}) == (RuleChange("returns.csv", "bank R01, again", "yes", "no"),)
