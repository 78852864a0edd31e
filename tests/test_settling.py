"""What a person settled: to which findings an answer holds, and that nothing of it is lost."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from pages import finding, side_qc

from pipeline.archive import Archive
from pipeline.errors import ArchiveError, DecisionError
from pipeline.finish import tape_qc
from pipeline.qc import Answer, Finding, Severity, TapeQC, Verdict
from pipeline.settling import (
    NAME,
    Said,
    SettledTape,
    count_open,
    merged,
    nothing_settled,
    read_settled,
    settle,
    sign,
    signature_for,
    with_settled,
    write_settled,
)
from pipeline.settling_notes import drop_sealed, note_settled, settled_now, tapes_with_notes

NOW = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
CLIPS = tuple(finding("clip", Severity.FAIL, at, value=3.0) for at in (10.0, 20.04, 30.0))
OFF = finding("speed-off", Severity.WARN, value=1.8, limit=1.5)
HUM = finding("hum", Severity.INFO)


def tape(*findings: Finding) -> TapeQC:
    return tape_qc("K-017", [side_qc("A", findings), side_qc("B")], ())


def settled(*entries, signed=()) -> SettledTape:
    return replace(nothing_settled("K-017"), finding=tuple(entries), signed=tuple(signed))


def answered(qc: TapeQC, *entries) -> TapeQC:
    return tape_qc(qc.tape, with_settled(qc.sides, settled(*entries)), qc.failed)


def answers(qc: TapeQC) -> list[str]:
    return [f.settled.answer.value if f.settled else "" for f in qc.sides[0].findings]


def test_an_accepted_failure_no_longer_fails_the_tape_and_the_record_keeps_both():
    qc = tape(CLIPS[0])
    after = answered(qc, *settle(qc, "A", "clip", 10.0, Said.ACCEPTED, "", NOW))
    assert (qc.verdict, after.verdict) == (Verdict.FAIL, Verdict.PASS)
    (kept,) = after.sides[0].findings
    assert (kept.severity, kept.counts_as, kept.settled.answer) == (Severity.FAIL, Severity.INFO, Answer.ACCEPTED)


def test_an_answer_to_one_finding_leaves_the_others_of_its_kind_open():
    qc = tape(*CLIPS)
    assert answers(answered(qc, *settle(qc, "A", "clip", 20.0, Said.REFUSED, "applause", NOW))) == ["", "refused", ""]


def test_without_a_time_the_whole_kind_is_settled_and_all_means_every_open_finding():
    qc = tape(*CLIPS, OFF, HUM)
    assert answers(answered(qc, *settle(qc, None, "clip", None, Said.ACCEPTED, "", NOW))) == ["accepted"] * 3 + [""] * 2
    every = answered(qc, *settle(qc, None, "all", None, Said.ACCEPTED, "", NOW))
    assert answers(every) == ["accepted"] * 4 + [""] and count_open(every) == 0


def test_the_newest_answer_counts_and_can_be_taken_back():
    qc = tape(*CLIPS)
    kind = settle(qc, "A", "clip", None, Said.ACCEPTED, "", NOW)
    back = settle(qc, "A", "clip", 30.0, Said.OPEN, "", NOW + timedelta(seconds=1))
    again = settle(qc, "A", "clip", None, Said.REFUSED, "level meter", NOW + timedelta(seconds=2))
    assert answers(answered(qc, *kind, *back)) == ["accepted", "accepted", ""]
    assert answers(answered(qc, *kind, *back, *again)) == ["refused"] * 3


@pytest.mark.parametrize(
    ("now_found", "holds"),
    [
        (OFF, True),
        (replace(OFF, value=1.85), True),
        (replace(OFF, value=2.5), False),
        (replace(OFF, severity=Severity.FAIL), False),
        (replace(OFF, severity=Severity.INFO), True),
    ],
)
def test_an_answer_holds_for_what_was_seen_and_not_for_worse(now_found, holds):
    entries = settle(tape(OFF), "A", "speed-off", None, Said.ACCEPTED, "", NOW)
    assert (answers(answered(tape(now_found), *entries)) == ["accepted"]) is holds


def test_a_kind_that_grew_is_open_again():
    entries = settle(tape(*CLIPS), "A", "clip", None, Said.ACCEPTED, "", NOW)
    more = finding("clip", Severity.FAIL, 40.0, value=3.0)
    assert answers(answered(tape(*CLIPS, more), *entries)) == [""] * 4
    assert answers(answered(tape(*CLIPS[:2]), *entries)) == ["accepted"] * 2


def test_a_finding_a_little_to_the_side_is_the_same_and_one_further_off_is_not():
    entries = settle(tape(*CLIPS), "A", "clip", 10.0, Said.ACCEPTED, "", NOW)
    moved = [replace(CLIPS[0], start_s=at) for at in (9.93, 10.07, 10.13, 9.87)]
    assert answers(answered(tape(*moved), *entries)) == ["accepted", "accepted", "", ""]


def test_thousands_of_findings_settled_one_by_one_are_found_again():
    rng = np.random.default_rng(5)
    places = np.sort(rng.choice(27_000, 4000, replace=False)) * 0.1 + rng.uniform(0, 1e-3, 4000)
    qc = tape(*(finding("click", Severity.WARN, float(at)) for at in places))
    some = set(rng.choice(4000, 1500, replace=False).tolist())
    entries = [settle(qc, "A", "click", float(places[n]), Said.ACCEPTED, "", NOW)[0] for n in sorted(some)]
    after = answers(answered(qc, *entries))
    # a neighbour within a tenth of a second may go along; nobody further off does
    assert all(after[n] == "accepted" for n in some)
    chosen = np.array(sorted(places[n] for n in some))
    for n in set(range(4000)) - some:
        assert (after[n] == "accepted") == (np.abs(chosen - places[n]).min() <= 0.1)


def test_a_refusal_says_why_and_a_wrong_name_or_place_is_told_with_what_there_is():
    qc = tape(*CLIPS)
    with pytest.raises(DecisionError, match="needs a note"):
        settle(qc, "A", "clip", 10.0, Said.REFUSED, "  ", NOW)
    with pytest.raises(DecisionError, match=r"at 12 s; of this kind at: 10.0, 20.0, 30.0"):
        settle(qc, "A", "clip", 12.0, Said.ACCEPTED, "", NOW)
    with pytest.raises(DecisionError, match="kinds here: clip"):
        settle(qc, None, "clipping", None, Said.ACCEPTED, "", NOW)
    with pytest.raises(DecisionError, match="no open finding"):
        settle(tape(HUM), None, "all", None, Said.ACCEPTED, "", NOW)


def test_nobody_signs_over_open_findings_and_a_rerun_ends_a_sign_off():
    qc = tape(OFF)
    with pytest.raises(DecisionError, match="side A: 1 open"):
        sign(qc, "R. Quill", "", NOW)
    after = answered(qc, *settle(qc, None, "all", None, Said.ACCEPTED, "", NOW))
    with pytest.raises(DecisionError, match="needs a name"):
        sign(after, " ", "", NOW)
    signature = sign(after, "R.  Quill", "heard it", NOW)
    assert (signature.name, signature.revisions) == ("R. Quill", {"A": 1, "B": 1})
    everything = settled(signed=[signature])
    assert signature_for(after.sides, everything) == signature
    rerun = [replace(side, revision=2) for side in after.sides]
    assert signature_for(rerun, everything) is None
    assert signature_for(qc.sides, everything) is None


def test_what_is_written_reads_back_the_same(tmp_path):
    qc = tape(*CLIPS, OFF)
    entries = [
        *settle(qc, "A", "clip", 10.0, Said.REFUSED, 'it\'s "applause"\n\tno\x07 clip ½ \ud800', NOW),
        *settle(qc, None, "all", None, Said.ACCEPTED, "", NOW),
    ]
    signature = sign(answered(qc, *entries), "Ø. Quill", "", NOW)
    everything = settled(*entries, signed=[signature])
    write_settled(everything, tmp_path)
    assert read_settled(tmp_path, "K-017") == everything
    assert everything.finding[0].note == 'it\'s "applause"\n\tno clip ½ ?'


def test_no_file_is_nothing_settled_and_a_broken_one_is_told_with_its_key(tmp_path):
    assert read_settled(tmp_path, "K-017") == nothing_settled("K-017")
    for text, told in (
        ("schema = 1", "tape: missing"),
        ('schema = "x"\ntape = "t"\nfinding = []\nsigned = []', "expected feltpad.settled/1"),
        ("no toml", "settled.toml"),
    ):
        (tmp_path / NAME).write_text(text)
        with pytest.raises(ArchiveError, match=told):
            read_settled(tmp_path, "K-017")


def test_merging_keeps_the_newer_answer_and_merging_again_changes_nothing():
    qc = tape(*CLIPS)
    first = settled(*settle(qc, "A", "clip", 10.0, Said.ACCEPTED, "", NOW))
    later = settled(
        *settle(qc, "A", "clip", 10.0, Said.REFUSED, "no", NOW + timedelta(hours=1)),
        *settle(qc, "A", "clip", 20.0, Said.ACCEPTED, "", NOW + timedelta(hours=2)),
    )
    both = merged(first, later)
    assert [entry.said.value for entry in both.finding] == ["refused", "accepted"]
    assert merged(both, later) == both


def test_notes_wait_beside_the_bag_and_go_only_when_they_are_in_it(tmp_path):
    archive, qc = Archive(tmp_path), tape(*CLIPS)
    first = settled(*settle(qc, "A", "clip", 10.0, Said.ACCEPTED, "", NOW))
    note_settled(archive, first)
    sealed = settled_now(archive, "K-017")
    assert sealed == first and tapes_with_notes(archive) == ("K-017",)
    note_settled(archive, settled(*settle(qc, "A", "clip", 20.0, Said.ACCEPTED, "", NOW)))  # while it is being sealed
    write_settled(sealed, archive.sealed("K-017").decisions)
    drop_sealed(archive, sealed)
    assert [entry.start_s for entry in settled_now(archive, "K-017").finding] == [10.0, 20.04]
    drop_sealed(archive, settled_now(archive, "K-017"))
    assert tapes_with_notes(archive) == ()
