"""Templates' text becomes messages, and English comes out as it was written."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from jinja2 import DictLoader, Environment

import budvision
from budvision.language import say, say_n, speaking, spoken
from budvision.web import sentences
from budvision.web.sentences import Sentences, rich, sentences_of


def _render(source: str, **values: object) -> str:
    made = Environment(loader=DictLoader({"a": source}), autoescape=True, extensions=[Sentences])
    made.globals.update(say=say, say_n=say_n, rich=rich, spoken=spoken)
    return made.get_template("a").render(**values)


@pytest.mark.parametrize(("source", "message"), [
    ("<p>Cut  the\n bud.</p>", "Cut the bud."),
    ("<p>{{ a.n }} of {{ b.total }} buds</p>", "{n} of {total} buds"),
    ("<p>See <a href='{{ x }}'>the {{ y }} page</a> first.</p>", "See <1>the {y} page</1> first."),
    ("<p><strong>Read this.</strong>{% if a %} more{% endif %}</p>", "Read this."),
    ("<p>100 &nbsp; &lt;b&gt; cm</p>", "100 &nbsp; &lt;b&gt; cm"),
    ('<td data-head="share dead">{{ a }}</td>', "share dead"),
])
def test_text_between_tags_is_one_message(source: str, message: str) -> None:
    assert sentences_of(source)[0] == message


@pytest.mark.parametrize("source", [
    "<p>{{ a }}</p>", "<p><b>{{ a }}</b>, {{ b }}</p>", "<code>budvision init</code>",
    "<script>let word = 1;</script>", "{# a remark #}", '<input name="site" value="{{ a }}">',
    "{% block body_class %}wide{% endblock %}", "<p>{{ a }} %</p>",
])
def test_what_is_no_text_is_no_message(source: str) -> None:
    assert not sentences_of(source)


def test_what_stands_in_a_place_is_escaped_and_tags_are_kept() -> None:
    page = _render('<p>Call <a href="/x?{{ q }}">{{ name }}</a> in {{ n }} h.</p>',
                   q="a&b", name="<b>{1}</b>", n=3)
    assert page == '<p>Call <a href="/x?a&amp;b">&lt;b&gt;{1}&lt;/b&gt;</a> in 3 h.</p>'


def test_a_sentence_may_hold_more_than_nine_tags() -> None:
    source = "<p>Keys: " + " ".join(f"<kbd>{one}</kbd>" for one in range(12)) + ".</p>"
    assert _render(source) == source


def test_every_template_says_in_english_what_is_written_in_it() -> None:
    """Take the messages out of the rewritten template: what is left is the template's own words."""
    folder = Path(budvision.__file__).parent / "web"
    checked = 0
    for path in sorted(folder.rglob("*.html")):
        source = path.read_text(encoding="utf-8")
        rewritten = sentences._rewrite(source, [])
        Environment(extensions=["jinja2.ext.do"]).parse(rewritten)
        own, said = _words(source), _words(rewritten)
        assert not own - said, path.name
        checked += 1
    assert checked > 30


def _words(text: str) -> set[str]:
    return set(re.findall(r"[A-Za-z]{3,}", text)) - {"nbsp"}


def test_a_language_is_spoken_inside_its_block_alone() -> None:
    with speaking("fr"):
        assert spoken() == "fr"
    assert spoken() == "en"
