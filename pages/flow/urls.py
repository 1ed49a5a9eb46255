from django.urls import path

from pages.flow import views

urlpatterns = [
    path("toolheads/<int:pk>/flow/", views.toolhead_flow, name="toolhead-flow"),
    path("flow-checks/new/", views.flow_check_new, name="flow-check-new"),
    path("flow-checks/<int:pk>/", views.flow_check, name="flow-check"),
]
