-- Sessions that are set aside, and hashes over the search index, by which damage in it is found.

CREATE TABLE session_aside (
    session_id INTEGER NOT NULL,
    because VARCHAR NOT NULL,
    created_at VARCHAR NOT NULL,
    CONSTRAINT pk_session_aside PRIMARY KEY (session_id),
    CONSTRAINT fk_session_aside_session_id_session FOREIGN KEY(session_id) REFERENCES session (id)
);

ALTER TABLE summary ADD COLUMN digest VARCHAR DEFAULT '' NOT NULL;

ALTER TABLE summary_shape ADD COLUMN digest VARCHAR DEFAULT '' NOT NULL;
