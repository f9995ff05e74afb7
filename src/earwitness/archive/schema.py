"""Tables of the catalogue. Rows never leave the archive; catalogue.py hands out frozen values instead."""

from sqlalchemy import JSON, ForeignKey, Index, MetaData, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

Facts = dict[str, object]
NAMING = {
    "ix": "ix_%(column_0_label)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """Names every constraint, so that a migration can alter it."""

    metadata = MetaData(naming_convention=NAMING)
    type_annotation_map = {Facts: JSON, list[str]: JSON, list[object]: JSON}  # noqa: RUF012


class LoudspeakerRow(Base):
    """A loudspeaker type. folded : name and maker as they compare, without regard to case."""

    __tablename__ = "loudspeaker"
    __table_args__ = (UniqueConstraint("folded_name", "folded_maker"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    maker: Mapped[str]
    folded_name: Mapped[str] = mapped_column(index=True)
    folded_maker: Mapped[str]
    created_at: Mapped[str]


class RecordingRow(Base):
    """A content in the store of recordings."""

    __tablename__ = "recording"

    sha256: Mapped[str] = mapped_column(primary_key=True)
    size_bytes: Mapped[int]


class SessionRow(Base):
    """A session. key : hash over all facts and file hashes; facts : the Session as JSON."""

    __tablename__ = "session"

    id: Mapped[int] = mapped_column(primary_key=True)
    loudspeaker_id: Mapped[int] = mapped_column(ForeignKey("loudspeaker.id"), index=True)
    key: Mapped[str] = mapped_column(unique=True)
    date: Mapped[str]
    folder: Mapped[str]
    facts: Mapped[Facts]
    created_at: Mapped[str]


class SessionAsideRow(Base):
    """A session that the tester set aside: it is kept whole and counts for nothing. because : in the tester's words."""

    __tablename__ = "session_aside"

    session_id: Mapped[int] = mapped_column(ForeignKey("session.id"), primary_key=True)
    because: Mapped[str]
    created_at: Mapped[str]


class SessionFileRow(Base):
    """A file of a session folder under the name it had there."""

    __tablename__ = "session_file"

    session_id: Mapped[int] = mapped_column(ForeignKey("session.id"), primary_key=True)
    name: Mapped[str] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(ForeignKey("recording.sha256"), index=True)


class TakeRow(Base):
    """A take. position : its place in the session."""

    __tablename__ = "take"
    __table_args__ = (UniqueConstraint("session_id", "position"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("session.id"))
    position: Mapped[int]
    name: Mapped[str]
    kind: Mapped[str]
    sha256: Mapped[str] = mapped_column(ForeignKey("recording.sha256"), index=True)


class ResultRow(Base):
    """What a step made: arrays in a file, or a document. id : order in which results were kept."""

    __tablename__ = "result"
    __table_args__ = (UniqueConstraint("step_key", "kind"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("session.id"), index=True)
    step_key: Mapped[str]
    step_name: Mapped[str]
    kind: Mapped[str]
    inputs: Mapped[list[str]]
    settings: Mapped[list[object]]
    program: Mapped[str]
    array_file: Mapped[str | None]
    array_sha256: Mapped[str | None]
    document: Mapped[str | None]
    created_at: Mapped[str]


class PublicationRow(Base):
    """A review that was published. number : 1 for the first of a loudspeaker; digest : hash over its content."""

    __tablename__ = "publication"
    __table_args__ = (UniqueConstraint("loudspeaker_id", "number"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    loudspeaker_id: Mapped[int] = mapped_column(ForeignKey("loudspeaker.id"))
    number: Mapped[int]
    digest: Mapped[str]
    target: Mapped[str]
    document: Mapped[str]
    created_at: Mapped[str]


class ListeningSheetRow(Base):
    """A sealed listening sheet. It belongs to a loudspeaker by name, as notes come before any session.

    facts : canonical JSON that the hash stands for; opened_at : when the data were first shown, None before;
    is_after_data : sealed when they had been shown. Triggers refuse every change but the first setting of opened_at.
    """

    __tablename__ = "listening_sheet"
    __table_args__ = (UniqueConstraint("sha256"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    folded_name: Mapped[str] = mapped_column(index=True)
    folded_maker: Mapped[str]
    facts: Mapped[str]
    sha256: Mapped[str]
    sealed_at: Mapped[str]
    opened_at: Mapped[str | None]
    is_after_data: Mapped[bool]


class DataOpeningRow(Base):
    """When the data of a loudspeaker were first shown, whether or not there were sheets."""

    __tablename__ = "data_opening"

    folded_name: Mapped[str] = mapped_column(primary_key=True)
    folded_maker: Mapped[str] = mapped_column(primary_key=True)
    opened_at: Mapped[str]


class SummaryRow(Base):
    """What a search sees of a loudspeaker. title : maker and name; price : of a pair; made_from : key of the result
    its figures were read from; digest : hash over the row and its figures, "" from programs that took none."""

    __tablename__ = "summary"
    # Each index holds the title too, by which every answer is ordered: the notes need not be passed over for it.
    __table_args__ = (
        Index("ix_summary_type", "type", "folded_title"),
        Index("ix_summary_price", "currency", "price", "folded_title"),
    )

    loudspeaker_id: Mapped[int] = mapped_column(ForeignKey("loudspeaker.id"), primary_key=True)
    title: Mapped[str]
    folded_title: Mapped[str] = mapped_column(index=True)
    type: Mapped[str]
    price: Mapped[float | None]
    currency: Mapped[str | None]
    date: Mapped[str]
    notes: Mapped[str]
    made_from: Mapped[str]
    created_at: Mapped[str]
    digest: Mapped[str] = mapped_column(server_default="")


class SummaryFigureRow(Base):
    """A judged figure of a loudspeaker, for searching. u : standard uncertainty."""

    __tablename__ = "summary_figure"
    __table_args__ = (Index("ix_summary_figure_key", "key", "value", "loudspeaker_id"), {"sqlite_with_rowid": False})

    loudspeaker_id: Mapped[int] = mapped_column(ForeignKey("summary.loudspeaker_id"), primary_key=True)
    key: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[float]
    u: Mapped[float]
    unit: Mapped[str]
    bound: Mapped[str]


class SummaryShapeRow(Base):
    """Curves by which a loudspeaker is compared, packed; made_from, digest : as in its summary."""

    __tablename__ = "summary_shape"

    loudspeaker_id: Mapped[int] = mapped_column(ForeignKey("summary.loudspeaker_id"), primary_key=True)
    made_from: Mapped[str]
    curves: Mapped[bytes]
    digest: Mapped[str] = mapped_column(server_default="")


class DraftStateRow(Base):
    """One state of a draft, never altered. parent_id : the state it was made from, None for the first;
    value : JSON."""

    __tablename__ = "draft_state"

    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(index=True)
    parent_id: Mapped[int | None] = mapped_column(ForeignKey("draft_state.id"), index=True)
    value: Mapped[str]
    saved_at: Mapped[str]


class DraftRow(Base):
    """Which state a draft is in. revision : counts every change, undoing included."""

    __tablename__ = "draft"

    key: Mapped[str] = mapped_column(primary_key=True)
    state_id: Mapped[int] = mapped_column(ForeignKey("draft_state.id"))
    revision: Mapped[int]


# The full-text index over title, type and notes of "summary" is a virtual table of SQLite's FTS5 with tables of its
# own behind it; no class maps it. It is made by a migration and filled by triggers.
FULL_TEXT = "summary_text"
