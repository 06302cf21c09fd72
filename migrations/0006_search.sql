-- The search index over formula.words. The table keeps its own text; the index holds none (external content),
-- so it is deleted from before and inserted into after every change.

CREATE VIRTUAL TABLE formula_search USING fts4 (
    content="formula",
    words,
    tokenize=unicode61 "remove_diacritics=2",
    prefix="1,2,3,4"
);

CREATE TRIGGER formula_search_before_update BEFORE UPDATE OF words ON formula
BEGIN
    DELETE FROM formula_search WHERE docid = OLD.id;
END;

CREATE TRIGGER formula_search_after_update AFTER UPDATE OF words ON formula
BEGIN
    INSERT INTO formula_search (docid, words) VALUES (NEW.id, NEW.words);
END;

CREATE TRIGGER formula_search_before_delete BEFORE DELETE ON formula
BEGIN
    DELETE FROM formula_search WHERE docid = OLD.id;
END;

CREATE TRIGGER formula_search_after_insert AFTER INSERT ON formula
BEGIN
    INSERT INTO formula_search (docid, words) VALUES (NEW.id, NEW.words);
END;

INSERT INTO formula_search (formula_search) VALUES ('rebuild');
