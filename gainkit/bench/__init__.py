"""The guided job in a browser: a server, a page, and what feeds them. No judgement of its own."""
