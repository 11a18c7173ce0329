"""What a visit lacks, the audit of the record, and what was amended in it."""
