-- Drafts: what a tester is writing or setting, every state of it kept, so that it can be undone and redone.

CREATE TABLE draft_state (
    id INTEGER NOT NULL,
    "key" VARCHAR NOT NULL,
    parent_id INTEGER,
    value VARCHAR NOT NULL,
    saved_at VARCHAR NOT NULL,
    CONSTRAINT pk_draft_state PRIMARY KEY (id),
    CONSTRAINT fk_draft_state_parent_id_draft_state FOREIGN KEY(parent_id) REFERENCES draft_state (id)
);

CREATE INDEX ix_draft_state_key ON draft_state ("key");

CREATE INDEX ix_draft_state_parent_id ON draft_state (parent_id);

CREATE TABLE draft (
    "key" VARCHAR NOT NULL,
    state_id INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    CONSTRAINT pk_draft PRIMARY KEY ("key"),
    CONSTRAINT fk_draft_state_id_draft_state FOREIGN KEY(state_id) REFERENCES draft_state (id)
);
