"""Times the reading of chart notes on one core: `PYTHONPATH=. python tests/benchmarks/bench_notes.py` (seconds)."""

import time

from pipeline.notes.read import read_note
from pipeline.notes.vocabulary import vocabulary
from tests.notes.judge import written_notes

TIMES = 20

if __name__ == "__main__":
    words, notes = vocabulary(), written_notes()
    for note in notes:  # slips that were met are remembered, as in any long file
        read_note(note.text, words, notation=note.notation, tooth=note.tooth)
    begun, values = time.process_time(), 0
    for _ in range(TIMES):
        for note in notes:
            values += len(read_note(note.text, words, notation=note.notation, tooth=note.tooth))
    spent = time.process_time() - begun
    letters = sum(len(n.text) for n in notes) / len(notes)
    rate = 60 * TIMES * len(notes) / spent
    each = values / TIMES / len(notes)
    print(f"{rate:,.0f} notes a minute of processor, of {letters:.0f} letters and {each:.1f} values each")
