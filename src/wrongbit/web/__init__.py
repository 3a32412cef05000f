"""The workbench in the browser: a whole repair on one screen, served to this computer only.

`app` starts the server, `security` lets nobody else in, `workbench` holds the case and runs long work,
`frame` is what stands around every page, `elements` what pages are made of, and `pages` has one module a
page. What is computed comes from the rooms below; nothing is worked out here.
"""
