from django.dispatch import Signal

# Sent by the supervisor before it forks the web server and the workers. Receivers load what children would
# load one by one otherwise, and share in this way. They must leave no thread and no connection behind.
before_fork = Signal()
