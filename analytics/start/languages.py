"""Headings in German and French, as shops may call what we call in English. From memory: each is a guess until the owner agrees."""

from __future__ import annotations

import unicodedata
from itertools import filterfalse


def without_accents(text: str) -> str:
    """A ``text`` as it is typed on a keyboard that lacks them: 'Kilométrage' is 'Kilometrage'."""
    return "".join(filterfalse(unicodedata.combining, unicodedata.normalize("NFKD", text)))


#: headings in German and French, whole, in small letters, without what stands between words and without accents
IN_ENGLISH = {
    without_accents(german_or_french): english
    for english, others in {
        "serial no": "seriennummer|serien nr|serien no|fabriknummer|fahrgestellnummer|fahrgestell no|n de série|numéro de série|no de série|n série".split("|"),
        "order no": "auftragsnr|auftrags nr|auftragsnummer|auftrag|auftrag nr|auftrag no|bestellnummer|werkstattauftrag|n de commande|numéro de commande|commande|n d ordre|ordre de réparation".split("|"),
        "unit no": "getriebenummer|getriebe nr|getriebenr|getriebe no|getriebe|boîte|n de boîte|numéro de boîte".split("|"),
        "built on": "gebaut|gebaut am|baudatum|fertig|fertig am|fertigstellung|fertiggestellt|date de montage|monté le|fabriqué le".split("|"),
        "date": "datum|jour".split("|"),
        "shipped": "auslieferung|ausgeliefert|ausgeliefert am|lieferdatum|versand|versandt|versandt am|ausgang|ausgang am|date de livraison|livré le|livraison|expédié le|sortie|date de sortie".split("|"),
        "installed on": "eingebaut|eingebaut am|einbau|einbaudatum|posé le|installé le|date de pose".split("|"),
        "returned on": "eingang|eingang am|zurück|zurück am|rücklauf|rückgabe|reklamiert am|reklamationsdatum|retourné le|retour|date de retour|revenu le|rentré le".split("|"),
        "failed on": "ausgefallen am|ausfall|ausfalldatum|defekt am|panne|date de panne|cassé le|en panne le".split("|"),
        "odometer": "kilometerstand|km stand|kilometer|tachostand|laufleistung|kilométrage|compteur|kilomètres".split("|"),
        "power": "leistung|motorleistung|puissance|puissance moteur".split("|"),
        "weight": "gewicht|fahrzeuggewicht|leergewicht|poids|poids du véhicule|masse".split("|"),
        "use": "einsatz|einsatzart|verwendung|nutzung|einsatzzweck|usage|utilisation|emploi".split("|"),
        "builder": "monteur|gebaut von|mechaniker|techniker|bearbeiter|monté par|mécanicien|technicien".split("|"),
        "component": "bauteil|komponente|defektes teil|defekte komponente|baugruppe|schadteil|composant|organe|pièce cassée|pièce défectueuse|organe défectueux".split("|"),
        "part": "teil|teilenummer|teile nr|teil nr|artikel|artikelnummer|pièce|référence|réf".split("|"),
        "finding": "befund|schaden|schadensbild|schadensbefund|fehlerbild|constat|diagnostic|défaut|dommage|avarie".split("|"),
        "cause": "ursache|schadensursache|grund|cause de la panne".split("|"),
        "cost": "kosten|reparaturkosten|preis|betrag|coût|prix|montant".split("|"),
        "paid by": "bezahlt von|zahler|payé par".split("|"),
        "notes": "bemerkung|bemerkungen|notiz|notizen|anmerkung|anmerkungen|beschreibung|kommentar|remarque|remarques|observation|observations|commentaire|commentaires|description de la panne".split("|"),
        "customer": "kunde|client|kundenname".split("|"),
        "vehicle": "fahrzeug|véhicule".split("|"),
        "input shaft": "eingangswelle|antriebswelle|turbinenwelle|arbre d entrée|arbre primaire".split("|"),
        "intermediate shaft": "zwischenwelle|arbre intermédiaire".split("|"),
        "output shaft": "ausgangswelle|abtriebswelle|arbre de sortie|arbre secondaire".split("|"),
        "converter": "wandler|drehmomentwandler|convertisseur|convertisseur de couple".split("|"),
        "clutch pack": "kupplungspaket|lamellenpaket|kupplung|kupplungen|lamellen|embrayage|embrayages|paquet de disques".split("|"),
        "valve body": "schaltplatte|ventilkörper|steuerplatte|schieberkasten|boîtier de commande|bloc hydraulique".split("|"),
        "planetary": "planetensatz|planetenradsatz|planetengetriebe|train épicycloïdal|train planétaire".split("|"),
        "drum": "trommel|kupplungskorb|tambour|cloche".split("|"),
        "pump": "pumpe|ölpumpe|pompe|pompe à huile".split("|"),
        "band": "bremsband|bande|bande de frein".split("|"),
        "case": "gehäuse|carter".split("|"),
    }.items()
    for german_or_french in others
}  # fmt: skip

#: headings of an odometer in kilometres
KILOMETRES = (
    "kilometer",
    "kilometers",
    "kilometre",
    "kilometres",
    "kilometerstand",
    "kilométrage",
    "kilometrage",
    "kilomètres",
)
