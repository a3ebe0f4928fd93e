"""Steps that bring the records to their newest form."""
