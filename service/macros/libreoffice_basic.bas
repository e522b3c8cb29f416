' LibreOffice Calc, Basic: send the open workbook to platerota and put the plan beside it.
' Put this into a module of the library Standard and run PlanWeek. It calls curl, which every current system has.
Option Explicit

Const SERVICE = "http://127.0.0.1:8080"
Const KEY = "" ' the key of the service, where it asks for one
Const SECONDS = 120 ' to wait for the answer
Const ODS = "application/vnd.oasis.opendocument.spreadsheet"
Const XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

Sub PlanWeek
    Dim document As Object, answer As Object, sent As Object, came As Object
    document = ThisComponent
    ' Files of names that nobody else has, gone with the program: one left behind, or locked, would stop every later run.
    sent = createUnoService("com.sun.star.io.TempFile")
    came = createUnoService("com.sun.star.io.TempFile")
    document.storeToURL(sent.Uri, Array(Named("FilterName", "calc8")))
    Post ConvertFromURL(sent.Uri), ConvertFromURL(came.Uri)
    If Not IsWorkbook(came.Uri) Then
        Tell document, TextOf(came.Uri)
        Exit Sub
    End If
    answer = StarDesktop.loadComponentFromURL(came.Uri, "_blank", 0, Array(Named("Hidden", True), Named("FilterName", "Calc MS Excel 2007 XML")))
    If answer.Sheets.hasByName("Problems") Then
        TakeSheets document, answer, Array("Problems")
    Else
        TakeSheets document, answer, Array("Plan", "Load windows", "Machines", "Orders", "Runs", "KPIs", "Gantt", "Warnings")
    End If
    answer.close(True)
End Sub

Sub Post(sent As String, came As String)
    Dim words As String, quote As String
    quote = Chr(34)
    words = "--silent --max-time " & SECONDS & " --request POST"
    words = words & " --header " & quote & "Content-Type: " & ODS & quote & " --header " & quote & "Accept: " & XLSX & quote
    If KEY <> "" Then words = words & " --header " & quote & "X-API-Key: " & KEY & quote
    words = words & " --data-binary " & quote & "@" & sent & quote & " --output " & quote & came & quote
    words = words & " " & SERVICE & "/v1/plans"
    Shell("curl", 0, words, True)
End Sub

Sub TakeSheets(document As Object, answer As Object, names As Variant)
    Dim name As Variant, title As String
    If document.Sheets.hasByName("Problems") Then document.Sheets.removeByName("Problems")
    For Each name In names
        title = name
        ' The request has sheets of these names too.
        If name = "Machines" Or name = "Orders" Then title = name & " (plan)"
        If document.Sheets.hasByName(title) Then document.Sheets.removeByName(title)
        answer.Sheets.getByName(name).setName(title)
        document.Sheets.importSheet(answer, title, document.Sheets.Count)
    Next name
End Sub

' A workbook is a zip; anything else is a problem in words, or no answer at all.
Function IsWorkbook(address As String) As Boolean
    IsWorkbook = Left(TextOf(address), 2) = "PK"
End Function

Function TextOf(address As String) As String
    Dim number As Integer, line_ As String
    TextOf = "platerota did not answer at " & SERVICE
    number = FreeFile
    Open address For Input As #number
    If Not EOF(number) Then
        Line Input #number, line_
        TextOf = line_
    End If
    Close #number
End Function

Sub Tell(document As Object, words As String)
    If document.Sheets.hasByName("Problems") Then document.Sheets.removeByName("Problems")
    document.Sheets.insertNewByName("Problems", document.Sheets.Count)
    document.Sheets.getByName("Problems").getCellByPosition(0, 0).String = words
End Sub

Function Named(name As String, value As Variant) As Object
    Dim made As New com.sun.star.beans.PropertyValue
    made.Name = name
    made.Value = value
    Named = made
End Function
