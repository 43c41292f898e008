"""The front page: the further comparisons in counts that add up, and the decision in the words of its verdict."""

import html
import re

import sample_results as samples
from read_page import plain

from dashboards.pages import index


def test_the_counts_add_up_to_the_further_comparisons() -> None:
    for name, results in samples.all_variants().items():
        said = index.further(results)
        numbers = [int(n) for n in re.findall(r"\d+", said)]
        assert numbers[:1] == ([len(results.comparisons) - 1] if len(results.comparisons) > 1 else []), name
        assert sum(numbers[1:]) == sum(numbers[:1]), name


def test_the_decision_stands_in_the_words_of_its_verdict() -> None:
    results = samples.differs()
    page = html.unescape(plain(index.render(results)))
    assert results.trials
    for trial in results.trials:
        assert (trial.verdict is not None and trial.verdict.sentence in page) or trial.verdict is None
        assert (trial.question in page) == (trial.verdict is not None)
