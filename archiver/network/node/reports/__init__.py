"""Storage Commitment: requests, reports owed and reports that come late."""
