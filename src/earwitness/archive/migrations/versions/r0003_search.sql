-- Search: a summary and the figures of each loudspeaker, and a full-text index where SQLite has FTS5.

CREATE TABLE summary (
    loudspeaker_id INTEGER NOT NULL,
    title VARCHAR NOT NULL,
    folded_title VARCHAR NOT NULL,
    type VARCHAR NOT NULL,
    price DOUBLE,
    currency VARCHAR,
    date VARCHAR NOT NULL,
    notes VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL,
    created_at VARCHAR NOT NULL,
    CONSTRAINT pk_summary PRIMARY KEY (loudspeaker_id),
    CONSTRAINT fk_summary_loudspeaker_id_loudspeaker FOREIGN KEY(loudspeaker_id) REFERENCES loudspeaker (id)
);

CREATE INDEX ix_summary_folded_title ON summary (folded_title);

CREATE INDEX ix_summary_type ON summary (type, folded_title);

CREATE INDEX ix_summary_price ON summary (currency, price, folded_title);

CREATE TABLE summary_figure (
    loudspeaker_id INTEGER NOT NULL,
    "key" VARCHAR NOT NULL,
    value DOUBLE NOT NULL,
    u DOUBLE NOT NULL,
    unit VARCHAR NOT NULL,
    bound VARCHAR NOT NULL,
    CONSTRAINT pk_summary_figure PRIMARY KEY (loudspeaker_id, "key"),
    CONSTRAINT fk_summary_figure_loudspeaker_id_summary FOREIGN KEY(loudspeaker_id) REFERENCES summary (loudspeaker_id)
) WITHOUT ROWID;

CREATE INDEX ix_summary_figure_key ON summary_figure ("key", value, loudspeaker_id);
