-- sqlite.org, "SQLite FTS5 Extension", 4.4.3: external content tables, and the triggers that keep them.

CREATE VIRTUAL TABLE summary_text USING fts5(title, type, notes,
    content='summary', content_rowid='loudspeaker_id', tokenize='unicode61 remove_diacritics 2');

CREATE TRIGGER summary_text_insert AFTER INSERT ON summary BEGIN
    INSERT INTO summary_text (rowid, title, type, notes)
        VALUES (new.loudspeaker_id, new.title, new.type, new.notes);
END;

CREATE TRIGGER summary_text_delete AFTER DELETE ON summary BEGIN
    INSERT INTO summary_text (summary_text, rowid, title, type, notes)
        VALUES ('delete', old.loudspeaker_id, old.title, old.type, old.notes);
END;

CREATE TRIGGER summary_text_update AFTER UPDATE ON summary BEGIN
    INSERT INTO summary_text (summary_text, rowid, title, type, notes)
        VALUES ('delete', old.loudspeaker_id, old.title, old.type, old.notes);
    INSERT INTO summary_text (rowid, title, type, notes)
        VALUES (new.loudspeaker_id, new.title, new.type, new.notes);
END;
