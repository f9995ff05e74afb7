-- Listening sheets, sealed; and when the data of a loudspeaker were first shown.

CREATE TABLE listening_sheet (
    id INTEGER NOT NULL,
    folded_name VARCHAR NOT NULL,
    folded_maker VARCHAR NOT NULL,
    facts VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    sealed_at VARCHAR NOT NULL,
    opened_at VARCHAR,
    is_after_data BOOLEAN NOT NULL,
    CONSTRAINT pk_listening_sheet PRIMARY KEY (id),
    CONSTRAINT uq_listening_sheet_sha256 UNIQUE (sha256)
);

CREATE INDEX ix_listening_sheet_folded_name ON listening_sheet (folded_name);

CREATE TABLE data_opening (
    folded_name VARCHAR NOT NULL,
    folded_maker VARCHAR NOT NULL,
    opened_at VARCHAR NOT NULL,
    CONSTRAINT pk_data_opening PRIMARY KEY (folded_name, folded_maker)
);

CREATE TRIGGER listening_sheet_stays
    BEFORE UPDATE ON listening_sheet
    WHEN OLD.opened_at IS NOT NULL OR NEW.opened_at IS NULL OR NEW.id IS NOT OLD.id
        OR NEW.folded_name IS NOT OLD.folded_name OR NEW.folded_maker IS NOT OLD.folded_maker
        OR NEW.facts IS NOT OLD.facts OR NEW.sha256 IS NOT OLD.sha256 OR NEW.sealed_at IS NOT OLD.sealed_at
        OR NEW.is_after_data IS NOT OLD.is_after_data
    BEGIN SELECT RAISE(ABORT, 'a sealed sheet cannot be changed'); END;

CREATE TRIGGER listening_sheet_remains
    BEFORE DELETE ON listening_sheet
    BEGIN SELECT RAISE(ABORT, 'a sealed sheet cannot be taken away'); END;

CREATE TRIGGER data_opening_stays
    BEFORE UPDATE ON data_opening
    BEGIN SELECT RAISE(ABORT, 'the first opening of the data cannot be changed'); END;

CREATE TRIGGER data_opening_remains
    BEFORE DELETE ON data_opening
    BEGIN SELECT RAISE(ABORT, 'the first opening of the data cannot be taken away'); END;
