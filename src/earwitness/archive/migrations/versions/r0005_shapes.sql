-- Shapes: the curves by which loudspeakers are compared, beside the search index, so that many are at hand at once.

CREATE TABLE summary_shape (
    loudspeaker_id INTEGER NOT NULL,
    made_from VARCHAR NOT NULL,
    curves BLOB NOT NULL,
    CONSTRAINT pk_summary_shape PRIMARY KEY (loudspeaker_id),
    CONSTRAINT fk_summary_shape_loudspeaker_id_summary FOREIGN KEY(loudspeaker_id) REFERENCES summary (loudspeaker_id)
);
