"""Arrays and blocks: decode, shift, filter, decimate, demodulate, fit. No files, no devices."""
