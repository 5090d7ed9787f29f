"""The server of the pages: who may come in, kernels that wait, and what the browser gets."""
