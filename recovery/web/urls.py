"""The pages that show stock and recovery together."""

from __future__ import annotations

from django.urls import path

from recovery.web import (
    apparatus,
    container,
    home,
    loss_fits,
    losses,
    lots,
    plan,
    run_more,
    runs,
    solvent_balance,
)

urlpatterns = [
    path("", home.home, name="home"),
    path("labs/<slug:slug>/", home.lab, name="lab"),
    path("labs/<slug:slug>/apparatus/", apparatus.apparatus_list, name="apparatus"),
    path("labs/<slug:slug>/apparatus/<str:apparatus>/", apparatus.apparatus_one, name="apparatus-one"),
    path("labs/<slug:slug>/apparatus/<str:apparatus>/change/", apparatus.change, name="apparatus-change"),
    path("labs/<slug:slug>/apparatus/<str:apparatus>/end/", apparatus.end, name="apparatus-end"),
    path("labs/<slug:slug>/apparatus/<str:apparatus>/record/", apparatus.record, name="apparatus-record"),
    path(
        "labs/<slug:slug>/apparatus-records/<str:record>/take-back/",
        apparatus.take_back,
        name="apparatus-record-back",
    ),
    path("labs/<slug:slug>/containers/<str:code>/", container.container, name="container"),
    path("labs/<slug:slug>/containers/<str:code>/<slug:deed>/", container.deed, name="deed"),
    path("labs/<slug:slug>/loss-fits/", loss_fits.fits, name="loss-fits"),
    path("labs/<slug:slug>/loss-fits/<str:fit>/", loss_fits.fit, name="loss-fit"),
    path("labs/<slug:slug>/loss-fits/<str:fit>/adopt/", loss_fits.adopt, name="loss-fit-adopt"),
    path("labs/<slug:slug>/loss-fits/<str:fit>/end/", loss_fits.end, name="loss-fit-end"),
    path("labs/<slug:slug>/lots/<str:lot>/", lots.lot, name="lot"),
    path("labs/<slug:slug>/plan/", plan.plan, name="plan"),
    path("labs/<slug:slug>/plan/picture/", plan.plan_picture, name="plan-picture"),
    path("labs/<slug:slug>/recovery/", losses.losses, name="recovery"),
    path("labs/<slug:slug>/solvent-balance/", solvent_balance.solvent_balance_page, name="solvent-balance"),
    path("labs/<slug:slug>/runs/", runs.runs_page, name="runs"),
    path("labs/<slug:slug>/runs/start/", runs.start, name="run-start"),
    path("labs/<slug:slug>/runs/<str:run>/", runs.run, name="run"),
    path("labs/<slug:slug>/runs/<str:run>/close/", runs.close, name="run-close"),
    path("labs/<slug:slug>/runs/<str:run>/details/", run_more.details, name="run-details"),
    path("labs/<slug:slug>/runs/<str:run>/facts/", run_more.facts, name="run-facts"),
    path("labs/<slug:slug>/runs/<str:run>/give-up/", plan.give_up, name="run-give-up"),
    path("labs/<slug:slug>/runs/<str:run>/reopen/", run_more.reopened, name="run-reopen"),
    path("labs/<slug:slug>/runs/<str:run>/states/", run_more.states, name="run-states"),
]
