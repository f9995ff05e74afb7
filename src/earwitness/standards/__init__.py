"""Tables and rules of standards as data, with the clause beside each."""
