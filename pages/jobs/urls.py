from django.urls import path

from pages.jobs import files, printer_events, views

urlpatterns = [
    path("jobs/", views.jobs, name="jobs"),
    path("jobs/new/", views.job_new, name="job-new"),
    path("jobs/files/", files.job_files, name="job-files"),
    path("jobs/files/<int:pk>/", files.job_file, name="job-file"),
    path("jobs/files/<int:pk>/stop/", files.job_file_stop, name="job-file-stop"),
    path(
        "jobs/files/<int:pk>/content-deleted/",
        files.job_file_content_deleted,
        name="job-file-content-deleted",
    ),
    path("jobs/files/<int:pk>/again/", files.job_file_again, name="job-file-again"),
    path("jobs/files/<int:pk>/material/", files.job_file_material, name="job-file-material"),
    path("jobs/files/<int:pk>/print/", files.job_file_print, name="job-file-print"),
    path("jobs/<int:pk>/", views.job, name="job"),
    path("machines/<int:pk>/events/", printer_events.printer_events, name="printer-events"),
]
