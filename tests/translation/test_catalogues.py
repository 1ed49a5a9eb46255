"""Each text has a translation that names the same values; pages that are clean stay so (tests/pages/frame/test_offers.py)."""

import pytest

from background.messages import (
    APPS,
    catalogue_path,
    extract_texts,
    is_translated,
    list_placeholders,
    read_catalogue,
    translated_languages,
)


@pytest.mark.parametrize("language", translated_languages())
@pytest.mark.parametrize("app", APPS)
def test_a_translation_names_the_same_values(app, language):
    wrong = []
    for message in read_catalogue(catalogue_path(app, language), language):
        if not message.id or not is_translated(message):
            continue
        originals = message.id if message.pluralizable else (message.id,)
        wanted = list_placeholders(" ".join(originals))
        for text in message.string if message.pluralizable else (message.string,):
            # Of one thing a sentence may do without the number.
            named = list_placeholders(text)
            if set(named) != set(wanted) and not (message.pluralizable and set(named) < set(wanted)):
                wrong.append((originals[0], text))
    assert wrong == []


@pytest.mark.parametrize("language", translated_languages())
@pytest.mark.parametrize("app", APPS)
def test_each_text_is_translated(app, language):
    """Where one is missing: ./run manage messages --check."""
    translated = {
        (message.id, message.context)
        for message in read_catalogue(catalogue_path(app, language), language)
        if message.id and is_translated(message)
    }
    # A text with a plural may stand elsewhere without.
    known = {(text[0] if isinstance(text, tuple) else text, context) for text, context in translated}
    found = {(text[0] if isinstance(text, tuple) else text, context) for text, context in extract_texts(app)}
    assert found - known == set()
