"""The page that says how the software was validated is what the marked tests say; found without running them."""

import ast
import runpy
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
page = runpy.run_path(str(ROOT / "tests" / "conftest.py"))


def marked() -> Iterator[dict[str, str]]:
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        texts = {
            target.id: node.value.value
            for node in tree.body
            if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)
            for target in node.targets
            if isinstance(target, ast.Name)
        }

        def value(node: ast.expr, texts: dict[str, object] = texts) -> str:
            return str(texts[node.id] if isinstance(node, ast.Name) else ast.literal_eval(node))

        for node in ast.walk(tree):
            for decorator in getattr(node, "decorator_list", ()):
                if isinstance(decorator, ast.Call) and ast.unparse(decorator.func) == "pytest.mark.published":
                    (example,) = map(value, decorator.args)
                    words = {str(key.arg): value(key.value) for key in decorator.keywords}
                    place = f"{path.relative_to(ROOT).as_posix()}::{node.name}"  # type: ignore[attr-defined]
                    yield {"differs": "", **words, "example": example, "test": place, "outcome": "agrees"}


@pytest.fixture(scope="module")
def rows() -> list[dict[str, str]]:
    return page["merged"](marked())  # type: ignore[no-any-return]


def test_the_full_table_is_of_today(rows: list[dict[str, str]]) -> None:
    assert len(rows) > 80
    assert (ROOT / page["FULL"]).read_text(encoding="utf-8") == page["full_table"](rows), (
        "pytest -m published --published"
    )


def test_the_readme_is_of_today(rows: list[dict[str, str]]) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert page["with_summary"](readme, rows) == readme, "run: pytest -m published --published"


def test_a_mark_says_where_its_figures_stand(rows: list[dict[str, str]]) -> None:
    assert {row["how"] for row in rows} == set(page["HOW"])
    assert all(row["example"] and row["source"] for row in rows)


def test_the_worst_outcome_of_an_example_counts() -> None:
    row = {"source": "s", "example": "e", "how": "read", "differs": "", "test": "t"}
    (found,) = page["merged"](
        [{**row, "outcome": "agrees"}, {**row, "outcome": "failed"}, {**row, "outcome": "agrees"}]
    )
    assert found["outcome"] == "failed"
