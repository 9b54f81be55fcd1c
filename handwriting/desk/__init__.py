"""The desk: the whole job in the browser, on this computer only, by the same library calls as the command line."""
