"""What the copies say of themselves: tags, and the coding history of a Broadcast Wave."""

from __future__ import annotations

from pipeline.copies.broadcast_wave import BroadcastWords, history_text
from pipeline.decisions import Decisions
from pipeline.measurement import Measurement
from pipeline.side_job import SideJob
from pipeline.tags import TagWords


def tag_words(job: SideJob, decisions: Decisions) -> TagWords:
    """What the sheet and the decisions have to say in a copy's tags."""
    row, box = job.row, job.source.box
    index = "; ".join(f"{note.counter} {note.text}".strip() for note in row.index)
    extra = [
        ("TAPE-LENGTH", row.length),
        ("INDEX", index),
        ("SPEED-CORRECTION", f"{decisions.speed.ratio:.6f} ({decisions.speed.source.value})"),
        ("COLLECTION-ID", box.id),
        ("OWNER", box.owner),
        *((f"SHEET-{_tag_name(name)}", text) for name, text in row.extra.items()),
    ]
    return TagWords(
        title=row.title or f"{row.tape} side {row.side}",
        creator=row.creator,
        collection=box.title,
        tape=row.tape,
        side=row.side,
        date=row.date_iso or row.date,
        place=row.place,
        subject=row.subject,
        notes=row.notes,
        language=box.language,
        rights=box.rights,
        tape_type="" if row.tape_type is None else row.tape_type.value,
        encoded_by="feltpad",
        extra=tuple((name, text) for name, text in extra if text),
    )


def _tag_name(heading: str) -> str:
    """A sheet's heading as a comment name: printable ASCII without "=" (Vorbis comments allow no more)."""
    kept = "".join(c if 0x20 <= ord(c) <= 0x7D and c != "=" else "-" for c in heading.upper())
    return kept.strip() or "COLUMN"


def broadcast_words(job: SideJob, decisions: Decisions, measurement: Measurement) -> BroadcastWords:
    """The bext chunk: who, what, and the coding history from the cassette to this master (EBU R 98)."""
    row, deck, facts = job.row, job.deck, measurement.capture
    mode = "mono" if facts.channels == 1 else "stereo"
    error = 100 * (1 / decisions.speed.ratio - 1)
    us = "" if deck.replay_equalisation_us is None else f"; {deck.replay_equalisation_us:g} us"
    machine = " ".join(text for text in (deck.label, deck.model, deck.serial) if text)
    analogue = history_text(f"compact cassette {job.tape} side {job.side}; {machine}{us}; speed error {error:+.3f} %")
    bits = {8: 8, 16: 16}.get(facts.encoding.sample_bytes * 8, 24)
    history = [
        f"A=ANALOGUE,M={mode},T={analogue}",
        f"A=PCM,F={facts.sample_rate_hz},W={bits},M={mode},T=capture {facts.audio_sha256[:16]}; A/D",
    ]
    steps = [f"channels {decisions.channels.use.value}"]
    if decisions.equalisation.changes:
        steps.append(f"equalisation {decisions.equalisation.deck_us:g} to {decisions.equalisation.tape_us:g} us")
    if decisions.gain.master_db:
        steps.append(f"gain {decisions.gain.master_db:+.2f} dB")
    steps.append(f"resample {decisions.speed.ratio:.9f}; speed correction ({decisions.speed.source.value})")
    history.append(f"A=PCM,F={facts.sample_rate_hz},W=24,T={history_text('; '.join(['feltpad', *steps]))}")
    description = f"{job.tape} side {job.side}: {row.title}"
    return BroadcastWords(description, "feltpad", job.stem, row.date_iso or "", "", tuple(history))
