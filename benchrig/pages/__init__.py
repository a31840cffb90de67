"""Pages and exports of results.

    document(measured, lifetime) -> Document -> HTML, Markdown, a terminal

What is shown is decided once, in a `Document`; how, by whoever writes it out.
"""
