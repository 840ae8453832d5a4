"""What a page may load: everything from this server alone."""

# data: is for the small pictures that style sheets carry.
POLICY = (
    "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
# The decoder of labels is WebAssembly, which the page that scans may compile, and no other.
SCANNING = f"{POLICY}; script-src 'self' 'wasm-unsafe-eval'"
