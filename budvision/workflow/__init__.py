"""The verbs, one subject a module; the command line and the pages are thin over them."""
