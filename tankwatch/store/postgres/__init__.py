"""The central store of many rooms, in PostgreSQL: the same questions and answers as the file of one room."""
