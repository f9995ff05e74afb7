-- First catalogue: loudspeakers, sessions, recordings, takes, results, publications.

CREATE TABLE loudspeaker (
    id INTEGER NOT NULL,
    name VARCHAR NOT NULL,
    maker VARCHAR NOT NULL,
    folded_name VARCHAR NOT NULL,
    folded_maker VARCHAR NOT NULL,
    created_at VARCHAR NOT NULL,
    CONSTRAINT pk_loudspeaker PRIMARY KEY (id),
    CONSTRAINT uq_loudspeaker_folded_name UNIQUE (folded_name, folded_maker)
);

CREATE INDEX ix_loudspeaker_folded_name ON loudspeaker (folded_name);

CREATE TABLE recording (
    sha256 VARCHAR NOT NULL,
    size_bytes INTEGER NOT NULL,
    CONSTRAINT pk_recording PRIMARY KEY (sha256)
);

CREATE TABLE session (
    id INTEGER NOT NULL,
    loudspeaker_id INTEGER NOT NULL,
    "key" VARCHAR NOT NULL,
    date VARCHAR NOT NULL,
    folder VARCHAR NOT NULL,
    facts JSON NOT NULL,
    created_at VARCHAR NOT NULL,
    CONSTRAINT pk_session PRIMARY KEY (id),
    CONSTRAINT uq_session_key UNIQUE ("key"),
    CONSTRAINT fk_session_loudspeaker_id_loudspeaker FOREIGN KEY(loudspeaker_id) REFERENCES loudspeaker (id)
);

CREATE INDEX ix_session_loudspeaker_id ON session (loudspeaker_id);

CREATE TABLE session_file (
    session_id INTEGER NOT NULL,
    name VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    CONSTRAINT pk_session_file PRIMARY KEY (session_id, name),
    CONSTRAINT fk_session_file_session_id_session FOREIGN KEY(session_id) REFERENCES session (id),
    CONSTRAINT fk_session_file_sha256_recording FOREIGN KEY(sha256) REFERENCES recording (sha256)
);

CREATE INDEX ix_session_file_sha256 ON session_file (sha256);

CREATE TABLE take (
    id INTEGER NOT NULL,
    session_id INTEGER NOT NULL,
    position INTEGER NOT NULL,
    name VARCHAR NOT NULL,
    kind VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    CONSTRAINT pk_take PRIMARY KEY (id),
    CONSTRAINT uq_take_session_id UNIQUE (session_id, position),
    CONSTRAINT fk_take_session_id_session FOREIGN KEY(session_id) REFERENCES session (id),
    CONSTRAINT fk_take_sha256_recording FOREIGN KEY(sha256) REFERENCES recording (sha256)
);

CREATE INDEX ix_take_sha256 ON take (sha256);

CREATE TABLE result (
    id INTEGER NOT NULL,
    session_id INTEGER NOT NULL,
    step_key VARCHAR NOT NULL,
    step_name VARCHAR NOT NULL,
    kind VARCHAR NOT NULL,
    inputs JSON NOT NULL,
    settings JSON NOT NULL,
    program VARCHAR NOT NULL,
    array_file VARCHAR,
    array_sha256 VARCHAR,
    document VARCHAR,
    created_at VARCHAR NOT NULL,
    CONSTRAINT pk_result PRIMARY KEY (id),
    CONSTRAINT uq_result_step_key UNIQUE (step_key, kind),
    CONSTRAINT fk_result_session_id_session FOREIGN KEY(session_id) REFERENCES session (id)
);

CREATE INDEX ix_result_session_id ON result (session_id);

CREATE TABLE publication (
    id INTEGER NOT NULL,
    loudspeaker_id INTEGER NOT NULL,
    number INTEGER NOT NULL,
    digest VARCHAR NOT NULL,
    target VARCHAR NOT NULL,
    document VARCHAR NOT NULL,
    created_at VARCHAR NOT NULL,
    CONSTRAINT pk_publication PRIMARY KEY (id),
    CONSTRAINT uq_publication_loudspeaker_id UNIQUE (loudspeaker_id, number),
    CONSTRAINT fk_publication_loudspeaker_id_loudspeaker FOREIGN KEY(loudspeaker_id) REFERENCES loudspeaker (id)
);
