"""The door of languages.

spoken    what is spoken, and a message in it; the catalogues are read here
told      errors in it, by the shape of their English
numerals  numbers and days as the language writes them, and decimals read back
"""

from budvision.language.numerals import (
    grouped,
    locale_day,
    percent_text,
    plain_count,
    plain_percent,
    read_decimal,
    typed_number,
)
from budvision.language.spoken import (
    LANGUAGES,
    choose,
    form_of,
    mark,
    say,
    say_n,
    speak,
    speaking,
    spoken,
    words_in,
)
from budvision.language.told import Shapes, told, told_parts, told_text

__all__ = [
    "LANGUAGES", "Shapes", "choose", "form_of", "grouped", "locale_day", "mark", "percent_text",
    "plain_count", "plain_percent", "read_decimal", "say", "say_n", "speak", "speaking", "spoken",
    "told", "told_parts", "told_text", "typed_number", "words_in",
]
