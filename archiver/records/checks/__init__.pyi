from .picture_findings import failed_sides as failed_sides
