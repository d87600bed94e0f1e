"""What must be run, and why; then runs it, one job after the other, and keeps what each step wrote.

A job is one step on one unit (a transfer, a session, the corpus). Its key is a hash of all that its result hangs on; a
row of the table ``run`` says with which key it was last done. Nothing here knows a scheduler: ``pipeline.flows`` does.

Doors: ``planner`` (what is due), ``explain`` (why, in words), ``runner`` (carries out a job), ``run_rows`` (what was
done).
"""
