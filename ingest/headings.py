"""The headings that columns go by, in English, German, French and Spanish.

One more heading is one more text here, written in lower case; accents, umlauts, blanks and
punctuation need not be repeated in other ways, as headings are compared without them.
"""

LANGUAGES = ("en", "de", "fr", "es")

_TEXTS: dict[str, tuple[str, str, str, str]] = {
    "tested_at": (
        "timestamp, tested at, test date, date tested, test time, measured at, date time, "
        "datetime, date, date of measurement, measurement date, date of test",
        "datum, datum uhrzeit, datum zeit, zeitstempel, messzeit, messdatum, messzeitpunkt, "
        "prüfdatum, prüfzeit, zeitpunkt, gemessen am",
        "horodatage, date de mesure, date mesure, date d'essai, date essai, date heure, "
        "date et heure, date de l'essai, date du test, mesuré le",
        "fecha, fecha hora, fecha y hora, fecha de medición, fecha medición, fecha de ensayo, "
        "fecha ensayo, fecha del ensayo, marca de tiempo, medido el",
    ),
    "time_of_day": (
        "time, time of day",
        "uhrzeit, zeit",
        "heure, heure de mesure, heure mesure",
        "hora, hora de medición, hora medición",
    ),
    "sampled_at": (
        "sampled at, sample time, sampling time, sample date, sampling date, date sampled, "
        "production time, produced at, production date",
        "probenahme, probenahmezeit, probenahmedatum, entnahmezeit, entnahmedatum, "
        "produktionszeit, produktionsdatum, herstelldatum",
        "prélèvement, date de prélèvement, date prélèvement, heure de prélèvement, prélevé le, "
        "date d'échantillonnage, date de production, date de fabrication",
        "muestreo, fecha de muestreo, fecha muestreo, hora de muestreo, toma de muestra, "
        "fecha de toma de muestra, fecha de producción, fecha de fabricación",
    ),
    "batch": (
        "batch, batch no, batch nr, batch number, batch id, batch code",
        "charge, chargen nr, charge nr, charge no, chargennummer, chargennr, ansatz, ansatznummer, "
        "partie",
        "lot, n° de lot, no de lot, no lot, n° lot, nº de lot, numéro de lot, numéro lot, "
        "lot de fabrication, lot de production, code lot, brassin",
        "lote, nº de lote, n° de lote, no de lote, nº lote, n° lote, número de lote, número lote, "
        "lote de producción, lote de fabricación, código de lote, partida",
    ),
    "product": (
        "product, product code, product no, product name, material, article, product id",
        "produkt, produktname, artikel, artikelnummer, erzeugnis, produktnummer, materialnummer",
        "produit, code produit, nom du produit, nom produit, référence produit, matière, "
        "désignation",
        "producto, código de producto, código producto, nombre del producto, nombre producto, "
        "artículo, referencia de producto",
    ),
    "instrument": (
        "instrument, instrument id, viscometer, device, equipment",
        "gerät, messgerät, viskosimeter, geräte nr, gerätenummer",
        "appareil, viscosimètre, instrument de mesure, équipement",
        "instrumento, viscosímetro, equipo, aparato, equipo de medición",
    ),
    "spindle": (
        "spindle, spindle no, spindle code",
        "spindel, spindelnr, spindel nr, spindelnummer",
        "mobile, mobile n°, n° mobile, n° de mobile, numéro de mobile, broche, aiguille",
        "husillo, aguja, husillo nº, nº de husillo, número de husillo, vástago",
    ),
    "spindle_id": (
        "spindle id, spindle serial no",
        "spindel id, spindel seriennummer",
        "id mobile, identifiant mobile, n° de série mobile",
        "id husillo, id del husillo, nº de serie husillo",
    ),
    "speed": (
        "speed, rotational speed, rotation speed, rpm, r/min, 1/min, min⁻¹",
        "drehzahl, umdrehungen, u/min, upm",
        "vitesse, vitesse de rotation, tr/min, tours par minute, tours/min",
        "velocidad, velocidad de giro, velocidad de rotación, r.p.m., rev/min, vueltas/min",
    ),
    "torque": (
        "torque",
        "drehmoment, auslenkung, moment",
        "couple, couple de torsion",
        "par, par de torsión, par motor, torsión",
    ),
    "temperature": (
        "temp, temperature, sample temp, sample temperature",
        "temperatur, probentemperatur, messtemperatur, probentemp",
        "température, température échantillon, température de l'échantillon, "
        "température de mesure, temp échantillon",
        "temperatura, temperatura de la muestra, temperatura muestra, temperatura de medición, "
        "temp muestra",
    ),
    "set_temperature": (
        "set temp, set temperature, temperature set point",
        "solltemperatur, temperatur soll",
        "température de consigne, température consigne, consigne température, temp consigne",
        "temperatura de consigna, temperatura consigna, consigna de temperatura, "
        "temperatura nominal",
    ),
    "viscosity": (
        "viscosity, visc, dynamic viscosity, apparent viscosity, kinematic viscosity, "
        "viscosity value, viscosity result, viscosity reading",
        "viskosität, dynamische viskosität, scheinbare viskosität, kinematische viskosität, visk, "
        "eta, η",
        "viscosité, viscosité dynamique, viscosité apparente, viscosité cinématique, "
        "viscosité mesurée, résultat viscosité",
        "viscosidad, viscosidad dinámica, viscosidad aparente, viscosidad cinemática, "
        "viscosidad medida, resultado viscosidad",
    ),
    "unit": (
        "unit, units, viscosity unit",
        "einheit, viskositätseinheit",
        "unité, unités, unité de viscosité",
        "unidad, unidades, unidad de viscosidad",
    ),
    "density": (
        "density",
        "dichte",
        "densité, masse volumique",
        "densidad, masa volúmica",
    ),
    "replicate": (
        "replicate, replicate no, replicate nr, repeat, rep, duplicate, nr, no",
        "wiederholung, wdh, wdh nr, messung, messung nr, parallele, doppelbestimmung",
        "répétition, réplicat, répétition n°, n° de répétition, n° répétition, mesure n°, "
        "n° de mesure, essai n°, n° essai",
        "repetición, réplica, nº de repetición, nº repetición, réplica nº, nº de réplica, "
        "medición nº, nº de medición, ensayo nº",
    ),
    "operator": (
        "operator, analyst, initials, tested by",
        "prüfer, bediener, laborant, laborantin, kürzel",
        "opérateur, opératrice, analyste, technicien, mesuré par, initiales",
        "operador, operario, analista, técnico, medido por, iniciales",
    ),
    "lot": (
        "lot, rm lot, raw material lot, raw material",
        "rohstofflos, rohstoff los, rohstoffcharge, rohstoff charge",
        "lot matière première, lot de matière première, lot mp, matière première",
        "lote de materia prima, lote materia prima, lote mp, materia prima",
    ),
    "line_name": (
        "line, production line",
        "linie, anlage, produktionslinie",
        "ligne, ligne de production",
        "línea, línea de producción",
    ),
    "shift": ("shift", "schicht", "équipe", "turno"),
    "stage": (
        "stage, sample stage",
        "stufe, stadium",
        "étape, stade",
        "etapa, fase",
    ),
    "sample_type": (
        "sample type, type",
        "probenart, probentyp, art",
        "type d'échantillon, type échantillon, nature de l'échantillon",
        "tipo de muestra, tipo muestra, tipo",
    ),
    "status": (
        "status, result status, validity",
        "gültigkeit, ergebnisstatus",
        "statut, état, validité",
        "estado, estatus, validez",
    ),
    "comment": (
        "comment, comments, remark, remarks, note, notes",
        "bemerkung, bemerkungen, kommentar, anmerkung",
        "commentaire, commentaires, remarque, remarques, observation",
        "comentario, comentarios, observaciones, observación, nota, notas",
    ),
    "method": (
        "method, method version",
        "methode, prüfmethode, prüfvorschrift",
        "méthode, mode opératoire, méthode d'essai",
        "método, método de ensayo, procedimiento",
    ),
    "reading_time": (
        "reading time, read time, measuring time",
        "ablesezeit, messdauer",
        "temps de lecture, durée de mesure, temps de mesure",
        "tiempo de lectura, duración de la medición, tiempo de medición",
    ),
    "guard": (
        "guard, guard leg",
        "schutzbügel",
        "étrier, étrier de protection, protection",
        "protector, estribo, guarda",
    ),
}

HEADINGS: dict[str, dict[str, tuple[str, ...]]] = {
    name: {
        language: tuple(text.split(", ")) for language, text in zip(LANGUAGES, texts, strict=True)
    }
    for name, texts in _TEXTS.items()
}
"""Canonical column -> language -> its headings."""
