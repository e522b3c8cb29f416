' LibreOffice Calc, Basic: send the open workbook to platerota and put the plan beside it.
' Put this into a module of the library Standard and run PlanWeek. It calls curl, which every current system has.
Option Explicit

Const SERVICE = "http://127.0.0.1:8080"
Const KEY = "" ' the key of the service, where it asks for one
Const SECONDS = 120 ' to wait for the answer
Const ODS = "application/vnd.oasis.opendocument.spreadsheet"
Const XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

Sub PlanWeek
    Dim document As Object, answer As Object
    Dim folder As String, sent As String, came As String
    document = ThisComponent
    folder = createUnoService("com.sun.star.util.PathSubstitution").substituteVariables("$(temp)", True) & "/"
    sent = ConvertFromURL(folder & "platerota-week.ods")
    came = ConvertFromURL(folder & "platerota-plan.xlsx")
    If FileExists(came) Then Kill came
    document.storeToURL(ConvertToURL(sent), Array(Named("FilterName", "calc8")))
    Post sent, came
    Kill sent
    If Not IsWorkbook(came) Then
        Tell document, TextOf(came)
        Exit Sub
    End If
    answer = StarDesktop.loadComponentFromURL(ConvertToURL(came), "_blank", 0, Array(Named("Hidden", True)))
    If answer.Sheets.hasByName("Problems") Then
        TakeSheets document, answer, Array("Problems")
    Else
        TakeSheets document, answer, Array("Plan", "Load windows", "Machines", "Orders", "Runs", "KPIs", "Gantt", "Warnings")
    End If
    answer.close(True)
    Kill came
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
Function IsWorkbook(path As String) As Boolean
    IsWorkbook = Left(TextOf(path), 2) = "PK"
End Function

Function TextOf(path As String) As String
    Dim number As Integer, line_ As String
    TextOf = "platerota did not answer at " & SERVICE
    If Not FileExists(path) Then Exit Function
    number = FreeFile
    Open path For Input As #number
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
