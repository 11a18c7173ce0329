"""Find: pictures by patient, tooth, view and date; a single picture in full."""
