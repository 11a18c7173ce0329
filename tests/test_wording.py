"""Problems are data, and every word of one comes from the catalogue."""

from __future__ import annotations

import ast
import pickle
import re
from collections.abc import Iterator
from dataclasses import FrozenInstanceError, dataclass
from functools import cache
from pathlib import Path

import pytest

import archiver
from archiver import errors
from archiver.errors import ArchiverError, InputError, Place, Problem
from archiver.wording import Text, Words
from archiver.wording.catalogue import PLURAL, chapter, named_values
from tests.pseudo_language import accented, plain_words, pseudo_language

PACKAGE = Path(archiver.__file__).parent
#: Files of the catalogue that hold no texts of codes.
OTHERS = ("pages", "place", "problem")
_PART = re.compile(r"\.(?:found|expected|hint)$")
_CODE = re.compile(r"[a-z0-9_]+(?:\.[A-Za-z0-9_-]+)+")
_BEGINNING = re.compile(r"[a-z0-9_]+\.[A-Za-z0-9_.-]*\Z")
_TABLE = re.compile(r"[a-z0-9_]+\.(?:[a-z0-9_]+\.)*")
_ERRORS = {
    name
    for name, kind in vars(errors).items()
    if isinstance(kind, type) and issubclass(kind, ArchiverError)
}
_MAKERS = {"Problem", "Text", "Unfit", *_ERRORS}
RIGHT = re.compile(r"(?<!\{)\bright\b", re.IGNORECASE)
#: As a side, an edge, a corner or a direction it stands alone or beside such a word. "The right way
#: round" is what everybody calls a picture that is not reflected.
AS_A_SIDE = re.compile(
    r"^right$|\b(?:patient's|their) right\b|\bright (?:buccal|profile|edge|corner|way round)\b"
    r"|\bfrom the right\b|\bfacing right\b|\b(?:teeth|palatal|lingual), right$"
    r"|\b(?:top|upper|lower|left to|left from|now) right\b|\bright or left\b|\bR right\b",
    re.IGNORECASE,
)
#: What a function that makes a problem takes beside the values of the problem.
OWN = {"Unfit": {"hint"}}
#: Files of the archive and the settings are no codes.
FILES = {".toml", ".json", ".jsonl", ".sqlite", ".html", ".csv"}
#: Counts that are never one; limits of the program, by their names, are not looked at.
ALWAYS_SEVERAL = {
    "archive.index_rebuild.not_what_was_kept.expected",
    "network.scheduled.several.found",
    "network.scheduled.several_with.found",
    "pages.compare.heading",
    "pages.take_in.too_many",
    "photo.colour.profile_too_large",
    "photo.exif.too_long",
    "photo.header.bits_rounded",
    "records.page.more",
    "records.page.sifted",
}
#: What gives the values itself.
GIVES = ("_translated",)


@cache
def codes() -> dict[str, set[str]]:
    """Every code, and the values that its texts name."""
    found: dict[str, set[str]] = {}
    for key, text in Words().all().items():
        if key.split(".")[0] not in OTHERS:
            found.setdefault(_PART.sub("", key), set()).update(named_values(text))
    return found


@cache
def trees() -> dict[Path, ast.Module]:
    return {path: ast.parse(path.read_text("utf-8")) for path in sorted(PACKAGE.rglob("*.py"))}


def calls() -> Iterator[tuple[str, str, ast.Call]]:
    """Every call: where it stands, the name called, and itself."""
    for path, tree in trees().items():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call):
                name = getattr(node.func, "id", getattr(node.func, "attr", ""))
                yield f"{path.relative_to(PACKAGE)}:{node.lineno}", name, node


@dataclass(frozen=True)
class Door:
    """A function that puts a table in front of the code that it is given.

    Parameters
    ----------
    file
        Where it can be called; None for everywhere.
    table
        What it puts in front, with its dot.
    place
        Of the code among its arguments.
    beginning
        The beginning as it is written out.
    """

    file: Path | None
    table: str
    place: int
    beginning: ast.JoinedStr


@cache
def doors() -> dict[str, list[Door]]:
    """Every such function by its name; one with a name of its own module serves this alone."""
    found: dict[str, list[Door]] = {}
    for path, tree in trees().items():
        for node in ast.walk(tree):
            if not isinstance(node, ast.FunctionDef) or node.args.kwarg is None:
                continue
            if node.name == "__init__":  # called by the name of its class
                continue
            names = [one.arg for one in (*node.args.posonlyargs, *node.args.args)]
            for text in (one for one in ast.walk(node) if isinstance(one, ast.JoinedStr)):
                first, *rest = text.values
                code = getattr(getattr(rest[0], "value", None), "id", "") if rest else ""
                if len(rest) == 1 and code in names and _TABLE.fullmatch(texts_of(first)[0]):
                    own = path if node.name.startswith("_") else None
                    door = Door(own, texts_of(first)[0], names.index(code), text)
                    found.setdefault(node.name, []).append(door)
    return found


def in_templates() -> Iterator[tuple[str, str]]:
    """Every code that a template gives to such a function, and where it stands."""
    for path in PACKAGE.rglob("*.html"):
        for name, code in re.findall(r'(\w+)\("([a-z][\w.]*)"', path.read_text("utf-8")):
            for door in doors().get(name, ()):
                yield str(path.relative_to(PACKAGE)), door.table + code


def behind_doors() -> Iterator[tuple[str, str, ast.Call]]:
    """Every code that is given to such a function: where it stands, the whole code, the call."""
    for place, name, call in calls():
        for door in doors().get(name, ()):
            here = door.file is None or place.startswith(f"{door.file.relative_to(PACKAGE)}:")
            if here and len(call.args) > door.place:
                for code in texts_of(call.args[door.place]):
                    yield place, door.table + code, call


def texts_of(node: ast.expr) -> list[str]:
    """Return the texts that an argument can be, as far as they are written out."""
    if isinstance(node, ast.IfExp):
        return texts_of(node.body) + texts_of(node.orelse)
    if isinstance(node, ast.JoinedStr):
        return texts_of(node.values[0])
    return [node.value] if isinstance(node, ast.Constant) and isinstance(node.value, str) else []


def has_own_words(name: str, first: ast.expr) -> bool:
    """True for a problem, text or error that is not made with a code."""
    texts = ["made.code"] if getattr(first, "id", "") == "code" else texts_of(first)
    return any(not _BEGINNING.match(t) for t in texts) or (name == "Problem" and not texts)


def test_every_code_is_in_the_catalogue_and_is_given_the_values_that_it_names() -> None:
    wrong = []
    for place, name, call in calls():
        for code in (text for argument in call.args[:3] for text in texts_of(argument)):
            given = {k.arg for k in call.keywords} - OWN.get(name, set())
            if name in GIVES:
                continue
            if code in codes() and None not in given and given != codes()[code]:
                wrong.append(f"{place}: {code} given {given}, names {codes()[code]}")
        for code in texts_of(call.args[0]) if name in _MAKERS and call.args else ():
            if _CODE.fullmatch(code) and code not in codes():
                wrong.append(f"{place}: no such code {code}")
    assert not wrong


def test_every_code_behind_a_door_is_in_the_catalogue_and_is_given_its_values() -> None:
    assert {"_say", "page_words", "sheet_words"} <= doors().keys()
    wrong = []
    for place, code, call in behind_doors():
        given = {k.arg for k in call.keywords}
        if code not in codes() and not any(c.startswith(code) for c in codes()):
            wrong.append(f"{place}: no such code {code}")
        elif code in codes() and None not in given and given != codes()[code]:
            wrong.append(f"{place}: {code} given {given}, names {codes()[code]}")
    wrong += [f"{p}: no such code {code}" for p, code in in_templates() if code not in codes()]
    assert not wrong, "\n".join(wrong)


def test_every_text_that_reads_as_a_code_is_one() -> None:
    """Whichever way it takes to the catalogue."""
    files = {code.split(".")[0] for code in codes()}
    wrong = []
    for path, tree in trees().items():
        nodes = list(ast.walk(tree))
        parts = {one for node in nodes if isinstance(node, ast.JoinedStr) for one in node.values}
        for node in nodes:
            for text in texts_of(node) if isinstance(node, ast.Constant) else ():
                is_code = _CODE.fullmatch(text) and text.split(".")[0] in files
                is_code = is_code and text not in codes() and node not in parts
                if is_code and Path(text).suffix not in FILES:
                    wrong.append(f"{path.relative_to(PACKAGE)}:{node.lineno}: {text}")
    assert not wrong, "\n".join(wrong)


def test_every_code_of_the_catalogue_is_used() -> None:
    nodes = [node for tree in trees().values() for node in ast.walk(tree)]
    texts = {text for node in nodes if isinstance(node, ast.Constant) for text in texts_of(node)}
    of_doors = {door.beginning for several in doors().values() for door in several}
    # Of a key that ends in a value only the beginning is written out.
    made = tuple(
        text
        for node in nodes
        if isinstance(node, ast.JoinedStr) and node not in of_doors
        for text in texts_of(node)
        if _BEGINNING.match(text)
    )
    texts |= {code for _, code in in_templates()}
    # A code may pass through other hands before it comes to its door.
    for name, several in doors().items():
        for door in several:
            for path, tree in trees().items():
                inside = list(ast.walk(tree)) if door.file in (None, path) else []
                if any(getattr(node, "id", "") == name for node in inside):
                    said = [node for node in inside if isinstance(node, ast.Constant)]
                    texts |= {door.table + text for node in said for text in texts_of(node)}
                    made += tuple(
                        door.table + text
                        for node in inside
                        if isinstance(node, ast.JoinedStr) and node is not door.beginning
                        for text in texts_of(node)
                        if _BEGINNING.match(text)
                    )
    assert not sorted(code for code in codes().keys() - texts if not code.startswith(made))


def test_right_is_a_side_in_every_text_and_never_what_is_correct() -> None:
    """Read beside a side, "the side is right" answers "is it the left side?" with its opposite."""
    ambiguous = [
        f"{key}: {form}"
        for key, text in Words().all().items()
        for form in (text.values() if isinstance(text, dict) else [text])
        if RIGHT.search(AS_A_SIDE.sub("", form))
    ]
    assert not ambiguous, "\n".join(ambiguous)


@pytest.mark.parametrize(
    "said", ["Yes, and the side is right", "right is: turned", "find out which is right", "Right."]
)
def test_the_search_for_right_as_correct_finds_it(said: str) -> None:
    assert RIGHT.search(AS_A_SIDE.sub("", said))


def test_no_problem_has_words_of_its_own() -> None:
    own = [
        f"{place}: {ast.unparse(call)[:80]}"
        for place, name, call in calls()
        if name in _MAKERS and call.args and has_own_words(name, call.args[0])
    ]
    assert not own, "\n".join(own)


def test_a_problem_is_made_of_its_code_its_values_and_its_place() -> None:
    problem = Problem("vision.refusal.few_agree", n=5, needed=[12, 13])
    assert problem.found == "only 5 features agree, 12, 13 are needed"
    assert (problem.values, problem.where) == ({"n": 5, "needed": (12, 13)}, "")
    placed = problem.at(file="a.toml", line=3, key=("photo", 2, "crop")).at(picture=4)
    assert str(placed) == f"picture 4: a.toml, line 3: {problem}"
    assert placed.place == Place(file="a.toml", line=3, key=("photo", 2, "crop"), picture=4)
    assert placed.place.photo == 2 and Place().photo is None
    assert placed.with_places() == problem and hash(placed.with_places()) == hash(problem)
    with pytest.raises(FrozenInstanceError):
        problem.code = "other"  # type: ignore[misc]


def test_a_part_is_left_out_when_a_value_of_it_is_not_there() -> None:
    words = Words()
    words._texts = {"x.y.found": "no {a}", "x.y.hint": "did you mean {b}?"}
    assert words.clause("x.y", "hint", {"a": 1, "b": None}) == ""
    assert words.clause("x.y", "hint", {"a": 1, "b": "c"}) == "did you mean c?"
    assert words.clause("x.y", "expected", {}) == ""


def test_one_and_more_are_told_apart_by_each_value_for_itself() -> None:
    words = Words()
    words._texts = {"x.y": "{n|One dog|{n} dogs} {n|has|have} {cats} {cats|cat|cats}"}
    assert words("x.y", n=1, cats=2) == "One dog has 2 cats"
    assert words("x.y", n=0, cats=1) == "0 dogs have 1 cat"
    assert words("x.y", n=3, cats="{n}") == "3 dogs have {n} cats"
    assert named_values(words._texts["x.y"]) == {"n", "cats"}


def test_what_is_counted_is_never_told_as_if_there_were_always_several() -> None:
    texts = Words().all()
    nouns = {noun for text in texts.values() for noun in re.findall(r"\|(\w+s)\}", text)}
    limits = "most|least|shortest|longest|needed"
    counted = re.compile(rf"\{{(?!(?:{limits})\}})\w+\}} (?:{'|'.join(nouns)})\b")
    bare = {key: PLURAL.sub("", text) for key, text in texts.items()}
    assert len(nouns) > 30
    assert {key for key, text in bare.items() if counted.search(text)} == ALWAYS_SEVERAL


def test_a_code_that_the_catalogue_does_not_know_fails() -> None:
    with pytest.raises(KeyError, match=r"no\.such"):
        str(Problem("no.such"))


def test_a_text_within_a_problem_is_put_into_the_same_language() -> None:
    inner = Text("vision.refusal.scale", times="3.0")
    problem = Problem("dentition.views.needs_teeth", phrase=inner, others=(inner, "x"))
    with pseudo_language():
        told = str(problem.at(file="sheet.toml", line=2))
    assert plain_words(told) == ["sheet", "toml"]
    assert accented("would have to be enlarged") in told
    assert "would have to be enlarged" in str(problem)


def test_an_error_is_kept_whole_when_it_crosses_a_process() -> None:
    error = InputError(Problem("vision.refusal.scale", times="3.0").at(file="a.jpg"))
    again = pickle.loads(pickle.dumps(error))
    assert again.problems == error.problems and str(again) == str(error)
    assert str(InputError("vision.refusal.unlike")).startswith("the teeth in the two")


def test_for_a_text_only_its_own_file_is_read() -> None:
    words = Words()
    words("problem.found", found="x")
    assert {key.partition(".")[0] for key in words._texts} == {"problem"}
    assert {"pages", "photo"} < {key.partition(".")[0] for key in words.all()}


def test_german_has_what_a_laboratory_reads_and_no_key_or_value_of_its_own() -> None:
    shelf = PACKAGE / "wording" / "words" / "de"
    for file in shelf.glob("*.toml"):
        english, german = chapter("en", file.stem), chapter("de", file.stem)
        assert german.keys() <= english.keys(), file.name
        for key, text in german.items():
            assert named_values(text) == named_values(english[key]), key
    sheet = {key for key in chapter("en", "handover") if key.startswith("handover.sheet.")}
    assert sheet <= chapter("de", "handover").keys()
