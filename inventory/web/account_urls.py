"""Pages of people's own accounts, and the further steps of signing in."""

from __future__ import annotations

from django.urls import path

from inventory.web import passkey_sign_in, second_step, you, you_keys, you_mail

urlpatterns = [
    path("login/second/", second_step.second, name="login-second"),
    path("login/passkey/", passkey_sign_in.sign_in, name="login-passkey"),
    path("login/passkey/ask/", passkey_sign_in.ask, name="login-passkey-ask"),
    path("you/", you.you, name="you"),
    path("confirm/<str:secret>/", you_mail.confirm, name="confirm-mail"),
    path("you/mail/", you_mail.mail, name="you-mail"),
    path("you/password/", you.password, name="you-password"),
    path("you/places/", you.places, name="you-places"),
    path("you/second-step/", you_keys.second_step, name="you-second-step"),
    path("you/recovery-codes/", you_keys.codes, name="you-codes"),
    path("you/passkeys/", you_keys.keys, name="you-passkeys"),
    path("you/passkeys/ask/", you_keys.key_ask, name="you-passkeys-ask"),
    path("you/passkeys/<str:passkey>/", you_keys.key, name="you-passkey"),
]
