"""Many reports at once: processes of this machine, or a Dask cluster."""
