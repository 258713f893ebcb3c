"""The door of languages.

spoken    what is spoken, and a message in it; the catalogues are read here
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

__all__ = [
    "LANGUAGES", "choose", "form_of", "grouped", "locale_day", "mark", "percent_text",
    "plain_count", "plain_percent", "read_decimal", "say", "say_n", "speak", "speaking", "spoken",
    "typed_number", "words_in",
]
