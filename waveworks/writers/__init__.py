"""Writers: tables, provenance, data files and the folder that they go to."""
