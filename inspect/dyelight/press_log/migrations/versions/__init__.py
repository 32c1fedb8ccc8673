"""The versions of the schema, oldest first."""
